"""Adds one table to a TOML file that people keep by hand: their lines, comments and order stay as they are.

The text of the new table goes behind the last one of its kind. What comes out is read again and must be what was there with exactly that
table more; otherwise nothing is changed.
"""

from __future__ import annotations

import os
import re
import shutil
import tomllib
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path

from monitor.errors import InputError

_HEADER = re.compile(r"^\s*\[\[?\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?$")
_BARE = re.compile(r"[A-Za-z0-9_-]+")


def table_text(name: str, table: Mapping[str, object]) -> str:
    """A table as TOML, headed `[[name]]`; tables in it follow under headers of their own."""
    plain = {k: v for k, v in table.items() if not _is_tables(v)}
    lines = [f"[[{name}]]", *(f"{_key(k)} = {value_text(v)}" for k, v in plain.items())]
    for key, value in table.items():
        if _is_tables(value) and isinstance(value, list):
            lines += [line for inner in value for line in ("", *table_text(f"{name}.{key}", inner).splitlines())]
    return "\n".join(lines) + "\n"


def _is_tables(value: object) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(v, Mapping) for v in value)


def _key(key: str) -> str:
    return key if _BARE.fullmatch(key) else value_text(key)


def value_text(value: object) -> str:
    """A value as TOML writes it, on one line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(str(k))} = {value_text(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(value_text(v) for v in value) + "]"
    escaped = "".join(_escape(char) for char in str(value))
    return f'"{escaped}"'


def _escape(char: str) -> str:
    if char in '"\\':
        return "\\" + char
    return char if char.isprintable() else f"\\U{ord(char):08x}"


def with_table(text: str, name: str, table: Mapping[str, object]) -> str:
    """`text` with one more table `[[name]]`. Raises InputError where that cannot be had without changing something else."""
    newline = "\r\n" if "\r\n" in text else "\n"
    lines = text.splitlines()
    last, end = -1, len(lines)
    for number, line in enumerate(lines):
        header = _HEADER.match(line)
        if header is None:
            continue
        path = [part.strip().strip("\"'") for part in header[1].split(".")]
        ours = path[: name.count(".") + 1] == name.split(".")
        if ours:
            last, end = number, len(lines)
        elif last >= 0 and end == len(lines):
            end = number
    while end > last + 1 and (not lines[end - 1].strip() or lines[end - 1].lstrip().startswith("#")):
        end -= 1  # blank lines and remarks in front of the next table belong to that one
    added = ["", *table_text(name, table).splitlines()]
    tail = lines[end:]
    out = newline.join([*lines[:end], *added, *([""] if tail and tail[0].strip() else []), *tail]) + newline
    if _rest(out, name) != (_rest(text, name)[0], [*_rest(text, name)[1], _plain(table)]):
        raise InputError(f"[[{name}]] cannot be added without changing what is there; write it by hand:\n{table_text(name, table)}")
    return out


def _rest(text: str, name: str) -> tuple[object, list[object]]:
    """Everything but the tables `[[name]]`, and those tables."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return None, []
    *outer, key = name.split(".")
    holder = data
    for part in outer:
        holder = holder.setdefault(part, {})
    return data, holder.pop(key, [])


def _plain(value: object) -> object:
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    return [_plain(v) for v in value] if isinstance(value, list | tuple) else value


def replace_file(path: Path, text: str, moment: datetime) -> Path:
    """Put `text` in the file's place in one step, and keep what was there beside it; the copy's path.

    Both are on the disk before the old file goes: a power cut leaves one whole file or the other.
    """
    kept = path.with_name(f"{path.name}.{moment:%Y%m%d-%H%M%S}")
    number = 1
    while kept.exists():
        kept, number = path.with_name(f"{path.name}.{moment:%Y%m%d-%H%M%S}-{number}"), number + 1
    shutil.copy2(path, kept)
    _sync(kept)
    beside = path.with_name(f".{path.name}.new")
    beside.write_bytes(text.encode("utf-8"))
    shutil.copymode(path, beside)
    _sync(beside)
    _sync(path.parent)
    beside.replace(path)
    _sync(path.parent)
    return kept


def _sync(path: Path) -> None:
    """Have a file, or a folder's names, on the disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
