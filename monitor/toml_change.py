"""Changes one table of a TOML file that people keep by hand, or takes it out: every other line, remark and value stays as it is.

What comes out is read again and must be what was there but for that one change; otherwise nothing is changed.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping

from monitor.errors import InputError
from monitor.toml_append import value_text
from monitor.toml_lines import HEADER, Lines, own_end

_REMARK = re.compile(r"\s#[^\"']*$")


def without_table(text: str, name: str, number: int) -> str:
    """`text` without the table number `number` (from 0) of the tables `[[name]]`. Raises InputError where that touches anything else."""
    lines, first, end = _block(text, name, number)
    wanted = tomllib.loads(text)
    del wanted[name][number]
    if not wanted[name]:
        del wanted[name]
    while end < len(lines) and not lines[end].strip():
        end += 1
    return _checked(text, [*lines[:first], *lines[end:]], wanted, name)


def with_values(text: str, name: str, number: int, values: Mapping[str, object]) -> str:
    """`text` with these keys of one table `[[name]]` set, and those that are None taken out. Raises InputError as above."""
    wanted = tomllib.loads(text)
    for key, value in values.items():
        lines, first, end = _block(text, name, number)
        at = Lines(text).of(name, number, key) - 1
        if value is None:
            wanted[name][number].pop(key, None)
        else:
            wanted[name][number][key] = list(value) if isinstance(value, list | tuple) else value
        line = [] if value is None else [f"{key} = {value_text(value)}"]
        if at == first:  # the table has no such key yet
            lines[end:end] = line
        else:
            stop = _value_end(lines, at, end)
            remark = _REMARK.search(lines[at]) if stop == at + 1 else None
            lines[at:stop] = [one + (remark[0] if remark else "") for one in line]
        text = _joined(text, lines)
    return _checked(text, text.splitlines(), wanted, name)


def _block(text: str, name: str, number: int) -> tuple[list[str], int, int]:
    """The text's lines, and where the table begins and ends."""
    lines = text.splitlines()
    first = Lines(text).of(name, number) - 1
    if first < 0:
        raise InputError(f"[[{name}]] number {number + 1} stands in a form that is not changed from here; change it by hand")
    end = next((n for n in range(first + 1, len(lines)) if HEADER.match(lines[n])), len(lines))
    return lines, first, own_end(lines, first, end)


def _value_end(lines: list[str], at: int, end: int) -> int:
    for stop in range(at + 1, end + 1):
        try:
            tomllib.loads("\n".join(lines[at:stop]))
        except tomllib.TOMLDecodeError:
            continue
        return stop
    return end


def _joined(text: str, lines: list[str]) -> str:
    newline = "\r\n" if "\r\n" in text else "\n"
    return newline.join(lines) + newline


def _checked(text: str, lines: list[str], wanted: object, name: str) -> str:
    out = _joined(text, lines)
    try:
        same = tomllib.loads(out) == wanted
    except tomllib.TOMLDecodeError:
        same = False
    if not same:
        raise InputError(f"[[{name}]] cannot be changed without changing something else; change it by hand")
    return out
