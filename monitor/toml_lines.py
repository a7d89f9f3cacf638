"""Where in a TOML file a table or a key stands, so that a mistake can name its line.

`tomllib` gives values without positions; this reads the headers and keys again, line by line. It is only
ever used to point at a place: a file it misreads gets a less exact pointer, never another meaning.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

#: A line that heads a table; its second group is the table's name.
HEADER = re.compile(r"^\s*\[(\[?)\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"""^\s*(?:"([^"]+)"|'([^']+)'|([A-Za-z0-9_-]+))\s*=""")


def header_path(header: re.Match[str]) -> list[str]:
    """The parts of a table's name, as its header says it."""
    return [part.strip().strip("\"'") for part in header[2].split(".")]


def own_end(lines: Sequence[str], first: int, end: int) -> int:
    """Where a table headed at `first` ends, before `end`: blank lines and remarks behind it belong to the next."""
    while end > first + 1 and (not lines[end - 1].strip() or lines[end - 1].lstrip().startswith("#")):
        end -= 1
    return end


class Lines:
    """Line numbers of one TOML text: `of("bell", 1, "url")` is the line of `url` in the second [[bell]]; 0 where unknown."""

    def __init__(self, text: str) -> None:
        self._lines: dict[tuple[str, int, str], int] = {}
        table, number, seen = "", 0, {"": 0}
        for line, content in enumerate(text.splitlines(), start=1):
            if header := HEADER.match(content):
                table = ".".join(header_path(header))
                number = seen[table] = seen.get(table, -1) + 1
                self._lines.setdefault((table, number, ""), line)
            elif key := _KEY.match(content):
                self._lines.setdefault((table, number, key[1] or key[2] or key[3]), line)

    def of(self, table: str, number: int = 0, key: str = "") -> int:
        """The line of a key, else of its table, else 0."""
        return self._lines.get((table, number, key)) or self._lines.get((table, number, ""), 0)
