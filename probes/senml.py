"""SenML packs (RFC 8428) in their JSON form: base fields resolved, times made absolute, units kept to the letter.

Source of the rules: the working-group text of RFC 8428, sections 4.1 to 4.6 (records, base fields, names, times, versions), and
its units table; the RFC as published was not read.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from probes.errors import SenmlError
from rules.reading import SECOND, Instant

MEDIA_TYPES = ("application/senml+json", "application/sensml+json")

#: Times below this many seconds are relative to now (section 4.5.3).
_RELATIVE_BELOW_S = 2**28
_VERSION = 10
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9:./_-]*")
_BASE = {"bn": str, "bt": float, "bu": str, "bv": float, "bs": float, "bver": int}
_FIELD = {"n": str, "u": str, "v": float, "vs": str, "vb": bool, "vd": str, "s": float, "t": float, "ut": float}


class Record(NamedTuple):
    """One resolved record. `value` is a number, a text, or None where the record holds something else.

    `timed` is False where the pack gave no time, so that `at` is the time of arrival. `why` is not empty where the
    record cannot be used, and says so in one sentence; the other fields then hold what could be read.
    """

    item: int
    name: str
    unit: str
    value: float | str | None
    at: Instant
    timed: bool
    why: str = ""


def resolve(pack: object, received_at: Instant) -> list[Record]:
    """Every record of a parsed pack, in its order, base-only records left out.

    Raises SenmlError for a pack that must not be used at all: no list, a label ending in "_", a version above 10,
    a base field of the wrong kind.
    """
    if not isinstance(pack, Sequence) or isinstance(pack, str | bytes):
        raise SenmlError("the SenML pack is no list; write [{...}, ...]")
    base: dict[str, object] = {}
    out: list[Record] = []
    for number, item in enumerate(pack):
        if not isinstance(item, Mapping):
            raise SenmlError(f"SenML record {number} is {_short(item)}; write an object")
        for key, value in item.items():
            if key in _BASE:
                if not _fits(value, _BASE[key]):
                    raise SenmlError(f"SenML record {number}: {key} is {_short(value)}; write a {_BASE[key].__name__}")
                base[key] = value
            elif key.endswith("_"):
                raise SenmlError(f"SenML record {number}: label {key!r} ends in _ and is not understood; leave it out")
        version = base.get("bver", _VERSION)
        if isinstance(version, int) and version > _VERSION:
            raise SenmlError(f"SenML record {number}: bver is {version}; only versions up to {_VERSION} are understood")
        if any(key in _FIELD for key in item):
            out.append(_record(number, item, base, received_at))
    return out


def _record(number: int, item: Mapping[str, object], base: Mapping[str, object], received_at: Instant) -> Record:
    name = str(base.get("bn", "")) + (str(item["n"]) if isinstance(item.get("n"), str) else "")
    unit = str(item["u"] if isinstance(item.get("u"), str) else base.get("bu", ""))
    at, timed = received_at, False

    def refuse(why: str) -> Record:
        return Record(number, name, unit, None, at, timed, f"SenML record {number}: {why}")

    for key, kind in _FIELD.items():
        if key in item and not _fits(item[key], kind):
            return refuse(f"{key} is {_short(item[key])}; write a {kind.__name__}")
    if not _NAME.fullmatch(name):
        return refuse(f"the name is {_short(name)}; write letters, digits and - : . / _, a letter or digit first")
    timed = "t" in item or "bt" in base
    seconds = _number(base.get("bt", 0)) + _number(item.get("t", 0))
    if not math.isfinite(seconds) or abs(seconds) > 1e11:
        return refuse(f"the time is {seconds!r}; write Unix seconds")
    at = round(seconds * SECOND) + (received_at if seconds < _RELATIVE_BELOW_S else 0)
    held = [key for key in ("v", "vs", "vb", "vd") if key in item]
    if len(held) > 1:
        return refuse(f"it holds {' and '.join(held)}; write one value")
    if held == ["vs"]:
        return Record(number, name, unit, str(item["vs"]), at, timed)
    if held == ["v"] or (not held and "bv" in base and "s" not in item and "bs" not in base):
        return Record(number, name, unit, _number(base.get("bv", 0)) + _number(item.get("v", 0)), at, timed)
    return refuse(f"it holds {held[0] if held else 'no value'}; a temperature is written as v")


def _number(value: object) -> float:
    return float(value) if isinstance(value, int | float) else math.nan


def _fits(value: object, kind: type) -> bool:
    if kind is float:
        return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e300
    if kind is int:
        return isinstance(value, int) and not isinstance(value, bool)
    return isinstance(value, kind)


def _short(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 40 else text[:37] + "..."
