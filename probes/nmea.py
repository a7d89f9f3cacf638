"""NMEA 0183 XDR sentences: `$<talker>XDR,<type>,<value>,<unit>,<id>[,...]*<hh>`, groups of four, closed by a checksum.

Field layout: a public list of sentences (secondary); the checksum rule (XOR of what stands between `$` and `*`) is from memory,
and agrees with the rows of the device frame table.
"""

from __future__ import annotations

import re
from functools import reduce
from typing import NamedTuple

_SENTENCE = re.compile(r"\$([A-Z0-9]{4,6}(?:,[^*$]*)?)\*([0-9A-Fa-f]{2})")


class Group(NamedTuple):
    """One measurement of a sentence. `kind` is "C" for a temperature, "H" humidity, "P" pressure; texts as sent."""

    kind: str
    value: str
    unit: str
    id: str


def checksum(body: str) -> int:
    """XOR of the characters between `$` and `*`."""
    return reduce(lambda total, char: total ^ ord(char), body, 0) & 0xFF


def parse(text: str) -> list[Group] | str:
    """The groups of an XDR sentence, none of another valid sentence; or the reason why it is not to be used."""
    match = _SENTENCE.fullmatch(text)
    if match is None:
        return "no whole sentence with a checksum"
    if checksum(match[1]) != int(match[2], 16):
        return "checksum"
    address, *fields = match[1].split(",")
    if not address.endswith("XDR"):
        return []
    if len(fields) % 4:
        return "fields are not in groups of four"
    return [Group(*fields[n : n + 4]) for n in range(0, len(fields), 4)]
