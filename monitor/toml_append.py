"""Adds one table to a TOML file that people keep by hand: their lines, comments and order stay as they are.

The text of the new table goes behind the last one of its kind. What comes out is read again and must be what was there with exactly that
table more; otherwise nothing is changed.
"""

from __future__ import annotations

import os
import re
import shutil
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path

from monitor.errors import InputError
from monitor.toml_lines import HEADER, header_path, own_end

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
        header = HEADER.match(line)
        if header is None:
            continue
        ours = header_path(header)[: name.count(".") + 1] == name.split(".")
        if ours:
            last, end = number, len(lines)
        elif last >= 0 and end == len(lines):
            end = number
    end = own_end(lines, last, end)
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


def private_file(path: Path, data: bytes) -> None:
    """Write a new file that nobody else on this machine reads, and have it on the disk; FileExistsError where there is one."""
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "wb") as file:
        file.write(data)
        file.flush()
        os.fsync(handle)


@contextmanager
def on_trial(path: Path, text: str) -> Iterator[Path]:
    """The text in a file beside `path`, so that its own loader can read it there; gone afterwards. It may hold secrets, as `path` may."""
    trial = path.with_name(f".{path.name}.trial")
    trial.unlink(missing_ok=True)
    try:
        private_file(trial, text.encode("utf-8"))
        yield trial
    finally:
        with suppress(OSError):  # what kept it from being written keeps it from being taken away; that is told by whoever asked
            trial.unlink(missing_ok=True)


def replace_file(path: Path, text: str, moment: datetime) -> Path:
    """Put `text` in the file's place in one step, and keep what was there beside it; the copy's path.

    Both are on the disk before the old file goes: a power cut leaves one whole file or the other.
    """
    kept = path.with_name(f"{path.name}.{moment:%Y%m%d-%H%M%S}")
    number = 1
    while kept.exists():
        kept, number = path.with_name(f"{path.name}.{moment:%Y%m%d-%H%M%S}-{number}"), number + 1
    # Private until they have the file's own rights: a configuration may hold secrets, and not for an instant may others read them.
    private_file(kept, path.read_bytes())
    _take_rights(path, kept)
    shutil.copystat(path, kept)
    beside = path.with_name(f".{path.name}.new")
    beside.unlink(missing_ok=True)
    private_file(beside, text.encode("utf-8"))
    _take_rights(path, beside)
    _sync(path.parent)
    beside.replace(path)
    _sync(path.parent)
    return kept


def _take_rights(path: Path, made: Path) -> None:
    """Owner, group and mode of `path`: what root changes by hand must stay readable for the service, which is in the file's group."""
    was = path.stat()
    for owner in (was.st_uid, -1):  # only root may give a file to another owner, and its group to any
        try:
            os.chown(made, owner, was.st_gid)
            break
        except PermissionError:
            continue
    shutil.copymode(path, made)


def _sync(path: Path) -> None:
    """Have a file, or a folder's names, on the disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
