"""Transcripts: what is read and done, line by line, and what the engine must then say.

A transcript is a TOML text. It judges either one limit, `limit = { kind = "ceiling", max = "41 °F" }`, on one
probe from 0:00 on, or whole lots by a plan, `plan = '''…'''` or `plan_file = "plan.toml"`. Temperatures
are in `unit` ("F" unless it says "C"), those of a humidity probe in per cent, times are hours and minutes from `start`. Each
item of `script` is one of

    { read = "0:00 42.0, 0:04 42.5" }            readings; with a plan: "core-1 0:00 42.0, 0:04 42.5"
    { suspect = "0:06 185" }  { fault = "0:08" }  { tick = "1:00" }
    { remove = "0:30 slipped" }  { place = "0:40" }  { check = "0:15 33.8" }  { measure = "0:00 pH 5.3" }
    { close = "1:00" }                           the end of the limit (one limit only)
    { event = "0:00 start J-1 links" }           a lot event: time, event, lot, name, value (with a plan)
    { expect = "deviated 0:10" }                 with a plan: "J-1/cook/lethality/core-1 deviated 0:10"
    { finding = "left-short 0:30" }              anything else that the engine says, written likewise
    { stands = "met 0:04" }                      how a watch stands; "open" has no time
    { refused = "is not in this lot" }           the event before it is refused with these words

Every output must be expected, before the next input, and every expectation met.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable
from typing import Any

from rules.engine import Engine
from rules.errors import EventError, LateEvent, PlanError, RulesError
from rules.finding import Finding
from rules.history import arrange
from rules.plan import PLACES, Plan, Probe, Product, Site, Step
from rules.plan_limit import Context, read_limit
from rules.plan_load import load_plan
from rules.plan_process import PROCESS_KEYS, percent_value
from rules.plan_read import Mistakes, Node
from rules.quantity import fahrenheit, format_span, parse_difference, parse_instant
from rules.reading import HOUR, MINUTE, SECOND, Event, Fault, Instant, LotEvent, Reading, Tick

KEYS = ("name", "unit", "start", "limit", "uncertainty", "plan", "plan_file", "script")
INPUTS = ("read", "suspect", "fault", "tick", "remove", "place", "check", "measure", "close", "event")
OUTPUTS = ("expect", "finding", "stands", "refused")
VERDICTS = ("met", "deviated", "unproven")
LOT, PROBE = "lot", "probe"  # of a transcript of one limit
_TIME = re.compile(r"(\d+):([0-5]\d)(?::([0-5]\d(?:\.\d{1,6})?))?")
_NO_LIMIT = "write limit = {…}, plan = '''…''' or plan_file = \"…\", and only one of them"


class _Wrong(Exception):
    """The transcript itself cannot be read."""


def run(text: str, name: str = "transcript", read_file: Callable[[str], str] | None = None) -> list[str]:
    """What does not hold in a transcript, one sentence each; empty if it holds.

    `name` is how the sentences call the file. `read_file` gives the text of a `plan_file`.
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        return [f"{name}: the file is not TOML ({error}); look at that line and the one before it"]
    called = f'{name} "{data["name"]}"' if isinstance(data.get("name"), str) else name
    try:
        return _Play(data, read_file).run(called)
    except PlanError as error:
        return list(error.problems)
    except _Wrong as error:
        return [f"{called}: {error}"]


class _Play:
    """One transcript being played."""

    def __init__(self, data: dict[str, Any], read_file: Callable[[str], str] | None) -> None:
        unknown = [key for key in data if key not in KEYS]
        if unknown:
            raise _Wrong(f"{unknown[0]} is no key of a transcript; write one of {', '.join(KEYS)}")
        self.unit = data.get("unit", "F")
        if self.unit not in ("F", "C"):
            raise _Wrong(f'unit is {self.unit!r}; write "F" or "C"')
        try:
            self.start = parse_instant(data.get("start", "2026-01-05T00:00:00Z"))
        except (RulesError, AttributeError) as error:
            raise _Wrong(f"start: {error}") from None
        if sum(key in data for key in ("limit", "plan", "plan_file")) != 1:
            raise _Wrong(_NO_LIMIT)
        self.alone = "limit" in data
        self.engine = Engine(self._one_limit(data) if self.alone else _plan(data, read_file))
        script = data.get("script")
        if not isinstance(script, list) or not all(isinstance(item, dict) and len(item) == 1 for item in script):
            raise _Wrong('script is to be a list of items with one key each, such as { read = "0:00 42.0" }')
        self.script: list[dict[str, Any]] = script
        self.found: list[Finding] = []
        self.refusals: list[str] = []
        self.failures: list[str] = []

    def _one_limit(self, data: dict[str, Any]) -> Plan:
        mistakes = Mistakes(str(data.get("name", "transcript")), {})
        written = data["limit"]
        if not isinstance(written, dict):
            raise _Wrong('limit is to be a table, such as { kind = "ceiling", max = "41 °F" }')
        place = {} if written.get("kind") in PROCESS_KEYS else {"place": "core"}
        context = Context(self.unit, places=frozenset({"humidity"}))
        limit = read_limit(Node({**place, **written}, ("limit",), "limit", mistakes), context)
        if mistakes.found or limit is None:
            raise PlanError(mistakes.sentences())
        try:
            parse = percent_value if limit.place == "humidity" else parse_difference
            u = parse(data["uncertainty"]) if "uncertainty" in data else None
        except RulesError as error:
            raise _Wrong(f"uncertainty: {error}") from None
        where = limit.place if limit.place in PLACES else "core"
        steps = (Step("step", None, (limit,)),)
        return Plan(Site("site", "site", unit=self.unit), (Product("product", "product", steps),), (), (Probe(PROBE, where, None, u),))

    # --- playing ------------------------------------------------------------------------------------------------

    def run(self, called: str) -> list[str]:
        if self.alone:
            self._feed(LotEvent(self.start, "start", LOT, "product"))
            if self.engine.plan.probes[0].place == "core":
                self._feed(LotEvent(self.start, "place", LOT, PROBE))
        block: list[Event] = []
        for number, item in enumerate(self.script, 1):
            ((key, value),) = item.items()
            where = f"item {number} of the script"
            if not isinstance(value, str):
                raise _Wrong(f"{where}: {key} is {value!r}; write text in quotes")
            try:
                if key in INPUTS:
                    self._nothing_left(where)
                    block += self._events(key, value)
                elif key in OUTPUTS:
                    self._play(block)
                    self._check(where, key, value)
                else:
                    raise _Wrong(f"{key} is no item of a script; write one of {', '.join((*INPUTS, *OUTPUTS))}")
            except (_Wrong, LateEvent) as error:
                raise _Wrong(f"{where}: {error}") from None
        try:
            self._play(block)
        except LateEvent as error:
            raise _Wrong(f"the end of the script: {error}") from None
        self._nothing_left("the end of the script")
        return [f"{called}: {failure}" for failure in self.failures]

    def _play(self, block: list[Event]) -> None:
        """Feed what stands between two expectations, in the order of its instants, and close what closes with it."""
        for event in arrange(block):
            self._feed(event)
        block.clear()
        self.found += self.engine.settle()

    def _feed(self, event: Event) -> None:
        try:
            self.found += self.engine.feed(event)
        except EventError as error:
            self.refusals.append(str(error))

    def _nothing_left(self, where: str) -> None:
        for finding in self.found:
            self.failures.append(f"{where}: before it came {self._told(finding)}, which the transcript does not expect ({finding.text})")
        self.failures += [
            f"{where}: before it an event was refused, which the transcript does not expect ({text})" for text in self.refusals
        ]
        self.found, self.refusals = [], []

    def _told(self, finding: Finding) -> str:
        path = "" if self.alone else _path(finding) + " "
        return f'"{path}{finding.what} {self._clock(finding.at)}"'

    def _check(self, where: str, key: str, value: str) -> None:
        if key == "stands":
            if value not in (stood := self._standing(value)):
                self.failures.append(f'{where}: "{value}" is to stand; what stands is {", ".join(stood) or "no such watch"}')
            return
        if key == "refused":
            match = next((text for text in self.refusals if value in text), None)
            if match is None:
                self.failures.append(f'{where}: the event before it was to be refused with "{value}"; {self.refusals or "it was accepted"}')
            else:
                self.refusals.remove(match)
            return
        if key == "expect" and not any(f" {v} " in f" {value} " for v in VERDICTS):
            raise _Wrong(f'expect is "{value}"; write met, deviated or unproven with its time, such as "deviated 0:10"; else finding = …')
        found = next((f for f in self.found if self._told(f) == f'"{value}"' and (f.what in VERDICTS) == (key == "expect")), None)
        if found is None:
            came = ", ".join(self._told(f) for f in self.found) or "nothing"
            self.failures.append(f'{where}: "{value}" was expected and did not come; what came is {came}')
        else:
            self.found.remove(found)

    def _standing(self, value: str) -> list[str]:
        """How everything that `value` may mean stands, written like it."""
        report = self.engine.report(settle=False)
        path = value.rsplit(" ", 1 if value.endswith(" open") or value.count(" ") == 1 else 2)[0]
        rows: list[tuple[str, str, str | None]] = []
        for lot in report["lots"]:
            rows.append((lot["lot"], lot["verdict"], None))
            for limit in lot["limits"]:
                name = f"{lot['lot']}/{limit['step']}/{limit['limit']}"
                rows.append((name, limit["verdict"], None))
                rows += [(f"{name}/{w['probe']}", w["verdict"], w["at"]) for w in limit["watches"]]
        for day in report["standing"]:
            name = f"{day['room']}/{day['limit']}"
            rows += [(f"{day['day']}/{name}/{w['probe']}", w["verdict"], w["at"]) for w in day["watches"]]
        if self.alone:
            return [self._row("", verdict, at) for name, verdict, at in rows if name.endswith(f"/{PROBE}") or name.endswith("/check")]
        return [self._row(name + " ", verdict, at) for name, verdict, at in rows if name == path or value.startswith(name + " ")]

    def _row(self, name: str, verdict: str, at: str | None) -> str:
        return f"{name}{verdict}" + ("" if at is None else f" {self._clock(parse_instant(at))}")

    # --- reading the script -------------------------------------------------------------------------------------

    def _events(self, key: str, value: str) -> list[Event]:
        if key in ("read", "suspect", "fault"):
            return self._rows(key, value)
        words = value.split(None, 4) if key == "event" else value.split()
        at = self._instant(words[0] if words else "")
        if key == "tick":
            return [Tick(at)]
        if key == "event":
            if self.alone or len(words) < 3:
                raise _Wrong(f'event is {value!r}; with a plan write time, event, lot, name and value, such as "0:00 start J-1 links"')
            return [_lot_event(at, *words[1:])]
        if not self.alone:
            raise _Wrong(f'{key} is for a transcript of one limit; with a plan write event = "{words[0]} {key} LOT …"')
        rest = words[1:]
        if key == "close":
            return [LotEvent(at, "end", LOT)]
        if key == "check":
            return [LotEvent(at, "check", LOT, self.engine.plan.probes[0].place, f"{' '.join(rest)} °{self.unit}")]
        if key == "measure":
            return [_lot_event(at, "measure", LOT, *rest)]
        return [_lot_event(at, key, LOT, PROBE, *rest)]

    def _rows(self, key: str, value: str) -> list[Event]:
        events: list[Event] = []
        probe = PROBE if self.alone else ""
        for row in value.split(","):
            words = row.split()
            if words and not _TIME.fullmatch(words[0]):
                probe = words.pop(0)
            if len(words) != (1 if key == "fault" else 2) or not probe or probe not in self.engine.plan.probe_by_id:
                example = ("" if self.alone else "core-1 ") + ("0:08" if key == "fault" else "0:00 42.0, 0:04 42.5")
                raise _Wrong(f'{key} has "{row.strip()}"; write such as "{example}"')
            at = self._instant(words[0])
            if key == "fault":
                events.append(Fault(probe, at, "no value"))
                continue
            try:
                number = float(words[1])
            except ValueError:
                raise _Wrong(f'{key} has "{row.strip()}"; write a temperature as a number in °{self.unit}') from None
            percent = self.engine.plan.probe_by_id[probe].place == "humidity"
            celsius = fahrenheit(number) if self.unit == "F" and not percent else number
            events.append(Reading(probe, at, celsius, suspect="the transcript says so" if key == "suspect" else ""))
        return events

    def _instant(self, word: str) -> Instant:
        match = _TIME.fullmatch(word)
        if match is None:
            raise _Wrong(f'"{word}" is no time; write hours and minutes from the start, such as "1:05" or "1:05:30"')
        return self.start + int(match[1]) * HOUR + int(match[2]) * MINUTE + round(float(match[3] or 0) * SECOND)

    def _clock(self, at: Instant) -> str:
        since = at - self.start
        if since < 0:
            return f"{format_span(-since)} before the start"
        hours, rest = divmod(since, HOUR)
        minutes, rest = divmod(rest, MINUTE)
        if not rest:
            return f"{hours}:{minutes:02d}"
        seconds, micros = divmod(rest, SECOND)
        return f"{hours}:{minutes:02d}:{seconds:02d}" + (f".{micros:06d}".rstrip("0") if micros else "")


def _plan(data: dict[str, Any], read_file: Callable[[str], str] | None) -> Plan:
    key = "plan" if "plan" in data else "plan_file"
    if not isinstance(data[key], str):
        raise _Wrong(f"{key} is {data[key]!r}; write text in quotes")
    if "plan" in data:
        return load_plan(data["plan"], "plan")
    if read_file is None:
        raise _Wrong("plan_file names a file, which cannot be read here; write the plan itself as plan = '''…'''")
    return load_plan(read_file(data["plan_file"]), data["plan_file"])


def _lot_event(at: Instant, event: str, lot: str, name: str = "", *value: str) -> LotEvent:
    return LotEvent(at, event, lot, name, " ".join(value))


def _path(finding: Finding) -> str:
    return "/".join(part for part in (finding.lot, finding.step, finding.limit, finding.probe) if part)
