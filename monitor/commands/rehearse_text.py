"""A rehearsal as text: what was assumed, the steps, and what each limit would have come to."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Any

from rules.plan import Plan
from rules.quantity import format_span, parse_instant
from rules.reading import MINUTE, SECOND, Span
from rules.rehearsal.oven import STEP
from rules.rehearsal.play import Rehearsal
from rules.rehearsal.settings import Settings, assumptions
from rules.wording import difference, temperature

_WIDTH = 99
_WORDS = {"met": "would be met", "deviated": "WOULD BE MISSED", "unproven": "could not be shown", "open": "stays open"}


def rehearsal_text(plan: Plan, found: Rehearsal, settings: Settings) -> str:
    """The whole rehearsal for a person, at most 99 characters a line."""
    unit = plan.site.unit
    lines = [f"{found.product.name} ({found.product.code}): rehearsal on a heat-transfer model"]
    lines += _wrap(
        "This is arithmetic on stated assumptions and no verdict on a lot. Nothing was measured. What a chamber and a product really do "
        "is known from probes in the product, and a qualified person validates the process."
    )
    lines += ["", "Assumed:"]
    for sentence in assumptions(found.product, settings, unit):
        lines += _point(sentence)
    for measure, least in found.measures.items():
        lines += _point(f"{measure} {least:g} is entered, the least that the cooling limit needs: measure the real one.")
    lines += ["", "Steps:"]
    lines += [
        f"  {_clock(e.at)}  {e.step:<14} {temperature(e.celsius, unit):>9} {e.surroundings:<6} core {_tenth(e.core_c, unit)}"
        for e in found.entered
    ]
    lines.append(f"  {_clock(found.length)}  end{'':<32} core {_tenth(found.core_c[-1], unit)}")
    if found.band_c is not None:
        low, high = (temperature(c, unit) for c in found.band_c)
        lines += ["", f"Time with the core between {low} and {high} on the way up: {format_span(found.in_band)}."]
    lines += ["", "Core:"]
    lines += _wrap("; ".join(_core(found, unit)) + ".", "  ")
    lines += ["", "Limits, as the engine judges these readings:"]
    for limit in found.lot["limits"]:
        lines += _limit(limit, found, unit)
    if found.left_out:
        lines += ["", "Not rehearsed:"]
        for step, name, why in found.left_out:
            lines += _point(f"{step}: {name}: {why}.")
    return "\n".join(lines) + "\n"


def missed(found: Rehearsal) -> bool:
    """Whether a limit would not be met."""
    return any(limit["verdict"] != "met" for limit in found.lot["limits"])


def _limit(limit: dict[str, Any], found: Rehearsal, unit: str) -> Iterator[str]:
    yield f"  {_WORDS[limit['verdict']]:<19}{limit['step']}: {limit['limit']} ({limit['kind']}, {limit['class']})"
    if limit.get("reason"):
        yield from _wrap(limit["reason"] + ".", " " * 21)
    if limit.get("doubt"):
        yield from _wrap(limit["doubt"], " " * 21)
    for watch in limit["watches"]:
        when = f"at {_clock(parse_instant(watch['at'])).strip()}: " if watch["at"] else ""
        yield from _wrap(f"{watch['probe']} {when}{watch['reason'] or 'nothing against it'}{_margin(watch['margin'], unit)}.", " " * 21)
        for sentence in _windows(watch["evidence"], found, unit):
            yield from _wrap(sentence, " " * 21)


def _windows(evidence: dict[str, Any], found: Rehearsal, unit: str) -> Iterator[str]:
    """Cooling windows one by one, with what each had left."""
    for window in evidence.get("windows", ()):
        to = temperature(window["to_c"], unit)
        if window.get("mark_at") is None:
            # A watch that has missed one deadline keeps no more marks; the model's own curve goes on.
            peak = max(range(len(found.core_c)), key=lambda n: found.core_c[n])
            fell = next((n for n in range(peak, len(found.core_c)) if found.core_c[n] <= window["to_c"]), None)
            yield f"{to} not reached." if fell is None else f"{to} reached at {_clock(fell * STEP).strip()} on the model."
            continue
        mark = parse_instant(window["mark_at"])
        left = parse_instant(window["deadline_at"]) - mark if window.get("deadline_at") else None
        spare = "" if left is None else f", {format_span(abs(left))} {'before' if left >= 0 else 'AFTER'} its deadline"
        yield f"{to} reached at {_clock(mark).strip()}{spare}."


def _margin(margin: dict[str, float], unit: str) -> str:
    said = []
    if "seconds" in margin:
        said.append(format_span(round(abs(margin["seconds"]) * SECOND)) + (" to spare" if margin["seconds"] >= 0 else " short"))
    if "temperature_c" in margin:
        said.append(difference(abs(margin["temperature_c"]), unit) + (" to spare" if margin["temperature_c"] >= 0 else " beyond it"))
    return f" ({', '.join(said)})" if said else ""


def _core(found: Rehearsal, unit: str) -> Iterator[str]:
    """The core at its warmest, and each half hour or so."""
    peak = max(range(len(found.core_c)), key=lambda n: found.core_c[n])
    every = max(1, round(found.length / 16 / (15 * MINUTE))) * 15 * MINUTE // STEP
    for n in sorted({*range(0, len(found.core_c), every), peak}):
        yield f"{_clock(n * STEP).strip()} {_tenth(found.core_c[n], unit)}{' (highest)' if n == peak else ''}"


def _clock(at: Span) -> str:
    """Hours and minutes since the beginning."""
    minutes = round(at / MINUTE)
    return f"{minutes // 60:>3} h {minutes % 60:02d}"


def _tenth(celsius: float, unit: str) -> str:
    return temperature(celsius, unit)


def _wrap(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent=indent, subsequent_indent=indent, break_on_hyphens=False, break_long_words=True)


def _point(text: str) -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent="  - ", subsequent_indent="    ", break_on_hyphens=False)
