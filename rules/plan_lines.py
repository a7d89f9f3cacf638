"""The line of every key of a TOML file, which `tomllib` does not tell.

A plan's mistakes are named by file and line, so one pass over the text notes where each key stands. The text has
been accepted by `tomllib` before; nothing is validated here, and values are only skipped.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TypeAlias

#: Where a key stands in the data: names of keys and places in arrays, `("product", 0, "step", 2, "name")`.
Path: TypeAlias = tuple[str | int, ...]

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_SPACE = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BLANK = re.compile(r"[ \t]*")
_SCALAR = re.compile(r"[^,\]}#\n]*")


def key_lines(text: str) -> Mapping[Path, int]:
    """The line, from 1, of every key, table and array element of a valid TOML text, by its path.

    A table's line is that of its header, an inline one's that of its key.
    """
    return _Scanner(text).run()


def line_of(lines: Mapping[Path, int], path: Path) -> int:
    """The line of a path, or of the nearest thing around it that has one; 0 where none has."""
    while path:
        if path in lines:
            return lines[path]
        path = path[:-1]
    return 0


class _Scanner:
    """Walks the text once; `pos` only moves on."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.pos = 0
        self.lines: dict[Path, int] = {}
        self.counts: dict[Path, int] = {}
        self.counted_to = 0
        self.line_no = 1

    def run(self) -> Mapping[Path, int]:
        prefix: Path = ()
        self._skip(_SPACE)
        while self.pos < len(self.text):
            if self.text[self.pos] == "[":
                prefix = self._header()
            else:
                self._pair(prefix)
            self._skip(_SPACE)
        return self.lines

    def _skip(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self.text, self.pos)
        if match is None:
            return ""
        self.pos = match.end()
        return match[0]

    def _note(self, path: Path) -> None:
        self.line_no += self.text.count("\n", self.counted_to, self.pos)
        self.counted_to = self.pos
        self.lines.setdefault(path, self.line_no)

    def _header(self) -> Path:
        array = self.text.startswith("[[", self.pos)
        self.pos += 2 if array else 1
        keys = self._key()
        path = (*self._resolve(keys[:-1]), keys[-1])
        if array:
            # A header of an array of tables opens the next element; later headers below it mean that element.
            index = self.counts.get(path, 0)
            self.counts[path] = index + 1
            self._note(path)
            path += (index,)
        self._note(path)
        self.pos += 2 if array else 1
        return path

    def _resolve(self, keys: tuple[str, ...]) -> Path:
        path: Path = ()
        for key in keys:
            path += (key,)
            self._note(path)
            if path in self.counts:
                path += (self.counts[path] - 1,)
        return path

    def _pair(self, prefix: Path) -> None:
        start = prefix
        keys = self._key()
        for key in keys:
            start += (key,)
            self._note(start)
        self.pos += 1  # the "="
        self._skip(_BLANK)
        self._value(start)

    def _key(self) -> tuple[str, ...]:
        keys: list[str] = []
        while True:
            self._skip(_BLANK)
            quote = self.text[self.pos]
            keys.append(self._string() if quote in "\"'" else self._skip(_BARE))
            self._skip(_BLANK)
            if self.pos >= len(self.text) or self.text[self.pos] != ".":
                return tuple(keys)
            self.pos += 1

    def _value(self, path: Path) -> None:
        first = self.text[self.pos]
        if first in "\"'":
            self._string()
        elif first in "[{":
            self._collection(path, "]" if first == "[" else "}")
        else:
            self._skip(_SCALAR)

    def _collection(self, path: Path, end: str) -> None:
        self.pos += 1
        index = 0
        self._skip(_SPACE)
        while self.text[self.pos] != end:
            if end == "]":
                self._note((*path, index))
                self._value((*path, index))
                index += 1
            else:
                self._pair(path)
            self._skip(_SPACE)
            if self.text[self.pos] == ",":
                self.pos += 1
                self._skip(_SPACE)
        self.pos += 1

    def _string(self) -> str:
        """Skip a string of any of the four kinds; its raw content, which is right for keys without escapes."""
        quote = self.text[self.pos]
        fence = quote * 3 if self.text.startswith(quote * 3, self.pos) else quote
        start = self.pos = self.pos + len(fence)
        while not self.text.startswith(fence, self.pos):
            self.pos += 2 if quote == '"' and self.text[self.pos] == "\\" else 1
        content = self.text[start : self.pos]
        self.pos += len(fence)
        # A multi-line string may end in one or two quotes of its own before its fence.
        while len(fence) == 3 and self.pos < len(self.text) and self.text[self.pos] == quote:
            self.pos += 1
        return content
