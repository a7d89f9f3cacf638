"""Causes: what an alarm is about, built from findings and from the monitor's own troubles.

A cause has a stable key: one cause, one alarm, one message. All probes that find the same limit of the same
lot broken share a key (one fire gone out is not four messages); each is a `member` and the condition is over
once every member has cleared. What asks nobody to respond (a limit met, a step advanced) is no alarm
(ISA-18.2, after a trade article) and gives no cause.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any, Final
from urllib.parse import quote

from monitor.alarms.limit_text import limit_text
from rules.finding import Finding
from rules.limits.profile import NOT_RUN
from rules.limits.spec import Ceiling, Floor, Profile
from rules.plan import Limit, Plan
from rules.quantity import format_span
from rules.reading import Instant, LotEvent, Span
from rules.remedy import LEAD
from rules.sources import doubt
from rules.wording import difference


@dataclass(frozen=True, slots=True)
class Cause:
    """Why an alarm stands. `what`, `where`, `limit`, `do` are words for people; `since` is event time.

    `severity` orders what one key can mean: a worse one rings again. `momentary`: over as soon as it is known.
    `latched`: held until its deviation record is closed. `critical` marks a critical limit: it is hidden only by a
    shelving of 30 minutes at most. `on_delay` and `off_delay` decide when it rings, never the verdict.
    `settled`: nothing that is measured later changes it, so acknowledging it ends it. `nags`: acknowledged and still
    there, it rings again in time. `above_c`, `below_c`, `back_c`: a room's ceiling or floor and where it counts as back
    (°C, the probe's uncertainty taken off): `excursions` follows the room's readings by them. `again_after`: time
    forgiven in a further excursion. `doubt`: that the limit's figures were not read in the original, and who confirmed them.
    `widens`: its words name all members, so that one more member takes the place of the old words, and rings again for whoever has
    acknowledged it without that one.
    `person`, `by`: it climbs no ladder, and is told to that person by each of those bells, once.
    """

    key: str
    what: str
    where: str
    since: Instant
    text: str
    priority: str = "medium"
    severity: int = 1
    critical: bool = False
    latched: bool = False
    momentary: bool = False
    limit: str = ""
    do: tuple[str, ...] = ()
    member: str = ""
    lot: str = ""
    on_delay: Span = 0
    off_delay: Span = 0
    settled: bool = False
    nags: bool = True
    above_c: float | None = None
    below_c: float | None = None
    back_c: float | None = None
    again_after: Span = 0
    doubt: str = ""
    widens: bool = False
    person: str = ""
    by: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """The cause as plain values, for its row and the ledger."""
        return {**asdict(self), "do": list(self.do), "by": list(self.by)}

    @classmethod
    def from_json(cls, values: dict[str, Any]) -> Cause:
        """The inverse of `as_json`."""
        return cls(**{**values, "do": tuple(values["do"]), "by": tuple(values.get("by", ()))})


#: For each finding that is a cause: its group in the key, severity there, priority where the limit is critical
#: and where it is operating, its words, and what to do where the plan does not say.
_FINDINGS: Final[dict[str, tuple[str, int, str, str, str, str]]] = {
    "unproven": ("verdict", 1, "critical", "medium", "unproven", "Hold the product. Measure by hand and write it down."),
    "deviated": ("verdict", 2, "critical", "medium", "limit not met", "Hold the product and mark it. Find the cause."),
    "left-short": ("left-short", 1, "critical", "high", "left the step short", "Put it back to heat now; do not let it cool."),
    "warming": ("warming", 1, "high", "medium", "core warms while it should cool", "Get it into the cold now."),
    "pulled-early": ("left-short", 1, "critical", "high", "core falls before its hold", "Was it pulled out? Put it back to heat now."),
    "not-in-the-meat": (
        "not-in-the-meat",
        1,
        "high",
        "high",
        "core does not warm: not in the meat?",
        "Look: is the probe in the middle of the thickest piece? Put it there, and enter that it was placed again.",
    ),
    "prompt": ("prompt", 1, "low", "low", "step to confirm", "Confirm where the lot is."),
    "unconfirmed": ("prompt", 2, "high", "high", "step still not confirmed", "Confirm where the lot is; write the time it moved."),
    "check-due": ("check", 1, "medium", "medium", "hand check due", "Measure by hand and enter it."),
    "heading-out": ("heading-out", 1, "high", "medium", "heading out of its limit", "Act now, while it can still be met."),
    "off": ("off", 1, "medium", "medium", "off its set temperature", "Look at the chamber: heat, dampers, door. Set it right."),
    "fire-out": ("fire-out", 1, "high", "high", "fire out?", "Look at the fire, the gas and the door now."),
}


#: The groups that warn before a verdict.
_BEFORE: Final = ("left-short", "warming", "heading-out")


def from_finding(finding: Finding, plan: Plan, product: str = "") -> Cause | None:
    """The cause behind a finding, or None where nobody has to respond. `product` is the code of the finding's lot."""
    row = _FINDINGS.get(finding.what)
    if row is None:
        return None
    group, severity, if_critical, if_operating, words, advice = row
    limit = find_limit(finding, plan, product)
    verdict = group == "verdict"
    if finding.what == "deviated" and limit is not None and isinstance(limit.rule, Profile) and NOT_RUN not in finding.text:
        return None  # the same reading says `off`, which rings and ends once the chamber is back
    priority = limit.priority if limit and limit.priority and verdict else if_critical if finding.critical else if_operating
    place = f"{finding.lot} {finding.step}" if finding.lot else f"room {finding.step}"
    cause = Cause(
        key=key_of(group, *((finding.lot or "room"), finding.step, *(() if group == "prompt" else (finding.limit,)))),
        what=f"{finding.limit} {words}" if finding.limit else words,
        where=f"{place}, {finding.probe}" if finding.probe else place,
        since=finding.at,
        text=finding.text,
        priority=priority,
        severity=severity,
        critical=finding.critical and group in ("verdict", "left-short"),
        latched=finding.critical and verdict,
        limit=limit_text(limit, plan.site.unit) if limit and group != "prompt" else "",
        doubt=doubt(limit) if limit and group != "prompt" else "",
        do=(limit.do if limit and limit.do and verdict else _what_to_do(finding, advice)),
        member=finding.probe,
        lot=finding.lot,
        on_delay=limit.on_delay if limit and verdict and not finding.critical else 0,
        off_delay=limit.off_delay if limit else 0,
    )
    if finding.what == "fire-out":
        return replace(cause, settled=True)  # a fall that was measured is over when somebody has seen it
    return _following(cause, finding, limit, plan) if verdict else cause


def _what_to_do(finding: Finding, advice: str) -> tuple[str, ...]:
    """What to do now, in the finding's own numbers where it has any; the plain advice then comes after them."""
    told = finding.text.rpartition("; ")[2] if finding.what == "heading-out" else finding.text.partition(LEAD)[2]
    return (f"{told[:1].upper()}{told[1:]}.", advice) if told else (advice,)


def _following(cause: Cause, finding: Finding, limit: Limit | None, plan: Plan) -> Cause:
    """Say how a verdict's condition ends: a room's ceiling or floor by its readings, a critical one by its record, others when seen."""
    rule, probe = (limit.rule if limit else None), plan.probe_by_id.get(finding.probe)
    if finding.lot or limit is None or limit.sampled or finding.what != "deviated" or not isinstance(rule, Ceiling | Floor):
        return replace(cause, settled=not cause.latched)
    guard = (probe.uncertainty_c or 0.0) if probe is not None and limit.guard else 0.0
    if isinstance(rule, Ceiling):
        above = rule.max_c - guard
        return replace(cause, above_c=above, back_c=above - rule.deadband_c, again_after=rule.allowed)
    below = rule.min_c + guard
    return replace(cause, below_c=below, back_c=below + rule.deadband_c, again_after=rule.allowed)


def cleared_by_finding(finding: Finding) -> tuple[tuple[str, str], ...]:
    """The (key, member) pairs whose condition a finding ends: a limit met or deviated ends its warnings."""
    if finding.what == "met":
        path = (finding.lot or "room", finding.step, finding.limit)
        return tuple((key_of(group, *path), finding.probe) for group in ("verdict", *_BEFORE))
    if finding.what == "deviated":  # what warned of it is overtaken
        return tuple((key_of(group, finding.lot or "room", finding.step, finding.limit), finding.probe) for group in _BEFORE)
    if finding.what == "back":
        return ((key_of("off", finding.lot, finding.step, finding.limit), finding.probe),)
    if finding.what == "advanced":  # what was said of the step that is left is over with it
        return ((key_of("prompt", finding.lot, finding.step), ""), *((_scope(group, finding.lot), "") for group in _OF_A_STEP))
    return ()


#: The groups that speak of how things are in the step that runs.
_OF_A_STEP: Final = ("off", "not-in-the-meat")


def cleared_by_event(event: LotEvent) -> tuple[tuple[str, str], ...]:
    """The (key scope ending in `*`, member) pairs whose condition a person's entry about a lot ends."""
    if event.event in ("step", "end"):
        of_the_lot = ("warming", "heading-out", "check") if event.event == "end" else ()
        return tuple((_scope(group, event.lot), "") for group in ("prompt", "left-short", *_OF_A_STEP, *of_the_lot))
    if event.event == "check":
        return ((_scope("check", event.lot), ""),)
    if event.event in ("place", "remove"):  # somebody has had this probe in hand: it is judged anew from here on
        return ((_scope("not-in-the-meat", event.lot), event.name),)
    return ()


def _scope(group: str, lot: str) -> str:
    return key_of(group, lot) + "/*"


def finding_key(finding: Finding) -> str:
    """The key of the cause and of the deviation record of a verdict: lot, step and limit, whatever the probe."""
    return key_of("verdict", finding.lot or "room", finding.step, finding.limit)


def find_limit(finding: Finding, plan: Plan, product: str = "") -> Limit | None:
    """The limit a finding speaks of. Without the product's code, the one limit of that step and name, if only one is."""
    if not finding.lot:
        standing = [limit for s in plan.standing if s.room == finding.step for limit in s.limits if limit.name == finding.limit]
        return standing[0] if standing else None
    found = [
        limit
        for p in plan.products
        if product in ("", p.code)
        for step in p.steps
        for limit in step.limits
        if limit.name == finding.limit and (step.name == finding.step or finding.step in limit.over)
    ]
    return found[0] if found and (product or all(f == found[0] for f in found)) else None


def probe_off(check: Mapping[str, Any], unit: str, since: Instant) -> Cause:
    """A check has left a probe beyond its tolerance."""
    probe, error = str(check["probe"]), float(check["left_error_c"])
    return Cause(
        key_of("calibration", probe, "off"), f"probe {probe} reads {_way(error, unit)}", "probes", since,
        f"Its check of {check['at']} left it {_way(error, unit)}; {difference(float(check['tolerance_c']), unit)} is allowed.", "high",
        limit=f"within {difference(float(check['tolerance_c']), unit)}",
        do=("Take it out of use, or put a correction in force. Measure by hand meanwhile.",),
    )  # fmt: skip


def recall_wanted(check: Mapping[str, Any], unit: str, since: Instant) -> Cause:
    """A check has found a probe beyond its tolerance: what it measured since its last good check is in doubt."""
    probe, error = str(check["probe"]), float(check["error_c"])
    return Cause(
        key_of("calibration", probe, "recall"), f"lots that {probe} measured are in doubt", "probes", since,
        f"Check {check['id']} found that it read {_way(error, unit)}. Nobody knows since when.", "high",
        limit="every verdict from a probe within its tolerance",
        do=(f"Hold what is still here. Look at what a recall of {probe} would change, and carry it out.",), nags=False,
    )  # fmt: skip


def calibration_due(probe: str, since: Instant, last: str) -> Cause:
    """A probe's next check is due; `last`: when it was last found good, in words."""
    return Cause(
        key_of("calibration", probe, "due"), f"probe {probe} is due for its check", "probes", since,
        f"{last} A thermometer is only as good as its last calibration.", "medium", limit="a check at every interval",
        do=("Check it in melting ice or boiling water, and enter what it read.",), nags=False,
    )  # fmt: skip


def _way(error_c: float, unit: str) -> str:
    return f"{difference(abs(error_c), unit)} too {'high' if error_c > 0 else 'low'}"


def source_gone(source: str, since: Instant, text: str) -> Cause:
    """A serial line, bus or gateway that several probes come through has gone."""
    return Cause(
        key_of("source", source), f"source {source} is gone", "probes", since, text, "high",
        limit="every source connected", do=("Check its cable and power.",),
    )  # fmt: skip


def bell_failing(bell: str, since: Instant, error: str) -> Cause:
    """A bell that does not deliver."""
    return Cause(
        bell_key(bell), f"bell {bell} does not ring", "alarms", since, f"The last answer was: {error}", "high",
        limit="every bell delivers", do=("Test it with: larderer bells test. Tell people another way meanwhile.",), nags=False,
    )  # fmt: skip


def bell_key(bell: str) -> str:
    """The key of a bell's own alarm."""
    return key_of("bell", bell)


def store_trouble(since: Instant, error: str) -> Cause:
    """Records cannot be written, or soon cannot."""
    return Cause(
        key_of("store"), "records cannot be kept", "the monitor", since, error, "critical",
        limit="every reading stored", do=("Keep records by hand. Make room on the disk or change the card.",),
    )  # fmt: skip


def export_differs(day: str, since: Instant, error: str) -> Cause:
    """Judging a day's export again does not give what was found live."""
    return Cause(
        key_of("export", day), f"export of {day} does not repeat", "the monitor", since, error, "high",
        limit="the export gives the verdicts found live",
        do=("Keep the export and the database. Do not sign the day. Tell who maintains the program.",),
    )  # fmt: skip


def export_failed(day: str, since: Instant, error: str) -> Cause:
    """A day that is over could not be exported."""
    return Cause(
        key_of("export-failed", day), f"export of {day} was not made", "the monitor", since, f"It is tried again every hour: {error}",
        "medium", limit="every day exported", do=("Make room on the disk, then ask for the day's export on the page.",),
    )  # fmt: skip


def readings_too_late(since: Instant, count: int) -> Cause:
    """Readings dated so far back that they are stored but not judged: a gateway's old store, or a clock that had jumped ahead."""
    return Cause(
        key_of("too-late"), "readings are not judged", "the monitor", since,
        f"{count} came dated more than 48 h before they were received. They are kept, and judged once a person asks for it. "
        "If they are of now, a clock is wrong.",
        "critical", limit="every reading judged", settled=True,
        do=(
            "If they are of now: measure every lot by hand, and check the clock of the board and of what sends them.",
            "If they are of then: look at them under Late readings, and ask for the re-judgement there.",
        ),
    )  # fmt: skip


def judging_stopped(since: Instant, error: str) -> Cause:
    """The program failed while judging: readings are kept, verdicts are not made until it gets past that."""
    return Cause(
        key_of("judging"), "judging has stopped", "the monitor", since,
        f"Readings are kept, but no limit is judged and no breach would ring. It is tried again every minute. The mistake: {error}",
        "critical", limit="every reading judged",
        do=("Watch every lot by hand now and write it down.", "Restart the service; if it stops again, tell who maintains the program."),
    )  # fmt: skip


def not_rejudged(at: Instant, since: Instant, error: str) -> Cause:
    """Late readings cannot be judged: the lots are judged on without them."""
    return Cause(
        key_of("not-rejudged"), "late readings are not judged", "the monitor", since,
        f"They are kept, and what comes in time is judged. It is tried again every minute. The trouble: {error}",
        "high", limit="every reading judged",
        do=("If it names an entry, see whether that entry is right and take it back if not.", "Otherwise tell who maintains the program."),
    )  # fmt: skip


def restarted(at: Instant, blind_from: Instant) -> Cause:
    """The monitor was down and is back; it saw nothing meanwhile."""
    blind = format_span(max(0, at - blind_from))
    return Cause(
        key_of("restart"), f"monitor was down, blind for {blind}", "the monitor", blind_from,
        f"Power or the program was lost and came back after {blind}. Limits that needed readings in that time may be unproven.",
        "high", momentary=True, limit="no time unwatched", do=("Measure every lot by hand now and enter it.",),
    )  # fmt: skip


def clock_stepped(at: Instant, by: Span) -> Cause:
    """The board's clock jumped; times written before are not changed."""
    way = "forward" if by > 0 else "back"
    return Cause(
        key_of("clock"), f"clock stepped {way} {format_span(abs(by))}", "the monitor", at,
        "Readings that the monitor itself dated around this instant may carry a wrong time; the ledger names the step.",
        "high", momentary=True, limit="a steady clock", do=("Check the time shown. Write down the right time.",),
    )  # fmt: skip


def key_of(*parts: str) -> str:
    """A key of parts; a slash or star inside a name is escaped, so that scopes cannot be confused."""
    return "/".join(quote(part, safe=" .:,-_") for part in parts)
