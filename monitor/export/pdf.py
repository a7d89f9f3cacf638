"""day.pdf: the day to be read by somebody who was not there. Laid out from the day's own files (`story.py`)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from monitor.calibrations import due_after
from monitor.export import wording
from monitor.export.papers import lot_papers
from monitor.export.sheet import Sheet
from monitor.export.story import ProbeDay, Story, judged_at
from monitor.export.wording import VERDICTS, Clock
from rules.book import MARKS
from rules.growth_over_lot import words as growth_words
from rules.plan import Limit, Probe
from rules.quantity import format_span, local, parse_instant
from rules.reading import LotEvent
from rules.wording import difference, temperature

#: More records than this are counted, not printed; ledger.jsonl has them all.
MOST_RECORDS = 400
_SHOWN_ELSEWHERE = ("deviation", "review", "sign-off", "calibration", "recall", "finding")


def write_pdf(path: Path, story: Story) -> None:
    """Lay the day out and write it to `path`."""
    site, colophon = story.plan.site, story.colophon
    paper = "letter" if site.timezone.startswith("America/") else "a4"
    title = f"{site.name}: record of {colophon.day}, revision {colophon.revision}"
    foot = (
        f"{site.name} ({site.id}), {colophon.day}, revision {colophon.revision}, made {colophon.made_at}",
        f"ledger head {colophon.head}",
        "Supports a HACCP plan and does not replace one. Validate limits for your own products. The inspector decides.",
    )
    sheet = Sheet(paper, title, foot)
    _cover(sheet, story)
    for lot in story.report["lots"]:
        _lot(sheet, story, lot)
    _standing(sheet, story)
    _deviations(sheet, story)
    _probes(sheet, story)
    _records(sheet, story)
    _proof(sheet, story)
    sheet.output(str(path))


def _cover(sheet: Sheet, story: Story) -> None:
    site, colophon, clock = story.plan.site, story.colophon, story.clock
    sheet.heading(site.name, 20)
    sheet.say(f"Record of {wording.day_name(colophon.since, colophon.until, site.zone)}", size=13)
    sheet.say(
        f"Times are those of {site.timezone}, UTC{wording.offset(colophon.since, site.zone)}"
        + (" and as shown after the change of the clocks" if clock.changes else "")
        + f". Revision {colophon.revision}.",
        soft=True,
    )
    sheet.ln(6)
    sheet.say(wording.day_verdict(story.report), size=13, bold=True)
    if not colophon.day_over:
        sheet.say("The day was not over when this was made: what came later is missing here.", bold=True, loud=True)
    if colophon.problems:
        sheet.say("THE FILES OF THIS EXPORT DO NOT REPEAT WHAT WAS FOUND WHILE THE DAY RAN:", bold=True, loud=True)
        sheet.points(colophon.problems)
    if colophon.being_judged:
        sheet.say(
            f"Not yet held against what was found while the day ran, since this is still being judged anew: {colophon.being_judged}.",
            bold=True, loud=True,
        )  # fmt: skip
    for entry in story.of_kind("recall"):
        sheet.say(f"{wording.recall_text(entry, story.clock, site.unit)} It is judged here with that taken off.", bold=True)
    if colophon.changed:
        sheet.say("Changed since the revision before:", bold=True)
        sheet.points(colophon.changed)
    kinds = [e["body"].get("what") for e in story.of_kind("deviation")]
    opened, closed, alarms = (
        kinds.count("opened"),
        kinds.count("closed"),
        sum(1 for e in story.of_kind("alarm") if e["body"].get("what") == "raised"),
    )
    blind = sum(d.gap_count for d in story.probes.values())
    sheet.say(
        f"{story.readings} readings and faults. Deviation records: {opened}, of which {opened - closed} not closed. "
        f"Alarms raised: {alarms}. Stretches in which nothing was measured: {blind}."
    )
    if story.report["lots"]:
        rows = [_lot_row(story, lot) for lot in story.report["lots"]]
        sheet.grid(("Lot", "Product", "Verdict", "Critical limits", "From", "To"), rows, (13, 24, 13, 22, 18, 18))
    _signatures(sheet, story)
    if story.report.get("problems"):
        sheet.heading("Evidence that could not be used as it stands", 11)
        lines = [f"{clock.of(p['at'])}, {p['probe'] or 'no probe'}: {p['text']}" for p in story.report["problems"]]
        sheet.points([*lines[:20], *([f"and {len(lines) - 20} more, in lots.json"] if len(lines) > 20 else [])])
    sheet.heading("Cautions", 11)
    sheet.points(wording.CAUTIONS)


def _lot_row(story: Story, lot: Mapping[str, Any]) -> Sequence[str]:
    clock = story.clock
    product = story.plan_of(lot["lot"]).product_by_code.get(lot["product"])
    count: dict[str, int] = {}
    for limit in lot["limits"]:
        if limit["class"] == "critical":
            count[limit["verdict"]] = count.get(limit["verdict"], 0) + 1
    limits = ", ".join(f"{n} {VERDICTS[v]}" for v, n in count.items()) or "none"
    ended = clock.of(lot.get("ended")) or "not ended"
    name = product.name if product else lot["product"]
    return lot["lot"], name, VERDICTS[lot["verdict"]], limits, clock.of(lot.get("started")), ended


def _signatures(sheet: Sheet, story: Story) -> None:
    sheet.heading("Review and signatures", 11)
    signed = story.of_kind("review", "sign-off")
    clock = story.clock
    for entry in signed:
        body = entry["body"]
        own = " The reviewer also made records of this day." if body.get("own_records") else ""
        comment = f' "{body["comment"]}"' if body.get("comment") else ""
        meaning = "Reviewed" if entry["kind"] == "review" else "Signed off"
        sheet.say(f"{meaning} by {entry['by']} on {clock(entry['at'])}, up to ledger entry {entry['seq']}.{comment}{own}")
    if not signed:
        sheet.say("Nobody has reviewed or signed this day yet. 9 CFR 417.5(c) asks for a review before product is shipped.", bold=True)


def _lot(sheet: Sheet, story: Story, lot: Mapping[str, Any]) -> None:
    plan, clock = story.plan_of(lot["lot"]), story.clock
    product = plan.product_by_code.get(lot["product"])
    sheet.add_page()
    sheet.heading(f"Lot {lot['lot']}: {VERDICTS[lot['verdict']]}", 15)
    where = f"in {' and '.join(lot['steps'])}" if lot.get("steps") and not lot.get("ended") else ""
    ended = f"ended {clock.of(lot['ended'])}" if lot.get("ended") else f"not ended, {where}"
    sheet.say(f"{product.name if product else lot['product']}, started {clock.of(lot.get('started'))}, {ended}.")
    if lot.get("unconfirmed"):
        sheet.say("UNCONFIRMED: a step change still has to be confirmed by a person, with its time.", bold=True, loud=True)
    sheet.chart(story.pictures[lot["lot"]].drawing(sheet.epw, 290))
    rows: list[Sequence[str]] = []
    for limit in lot["limits"]:
        rows.extend(_limit_rows(limit, plan.site.unit, clock))
    sheet.heading("Limits and verdicts", 11)
    heads = ("Step", "Limit", "Probe", "Verdict", "Dated", "Margin", "Why")
    sheet.grid(heads, rows, (11, 17, 12, 13, 17, 19, 36), size=7.5)
    growth = [told for limit in lot["limits"] for told in limit.get("growth", ())]
    if growth:
        sheet.heading("Predicted growth, to inform the corrective action", 11)
        begins = parse_instant(lot["started"])
        sheet.points([text for told in growth for text in growth_words(told, plan.site.zone, begins)], size=8.5)
    _limit_sources(sheet, lot, product.steps if product else ())
    _entries(sheet, [e for e in story.events if e.lot == lot["lot"]], clock)
    lot_papers(sheet, story, lot)


def _limit_rows(limit: Mapping[str, Any], unit: str, clock: Clock) -> list[Sequence[str]]:
    name = limit["limit"] + ("" if limit["class"] == "critical" else " (operating)")
    head = (limit.get("step", ""), name)
    watches = limit["watches"]
    if not watches:
        return [(*head, "none", VERDICTS[limit["verdict"]], "", "", limit.get("reason", "no probe served this limit"))]
    rows: list[Sequence[str]] = []
    for watch in watches:
        verdict = VERDICTS[watch["verdict"]] + ("" if watch.get("counted", True) else " (left out)")
        margin = wording.margin(watch.get("margin", {}), unit)
        remedy = watch.get("evidence", {}).get("remedy")
        why = "; ".join(part for part in (watch["reason"], f"what would still meet it: {remedy['text']}" if remedy else "") if part)
        rows.append((*head, watch["probe"], verdict, clock(judged_at(watch)), margin, why))
        head = ("", "")
    if limit.get("reason") or len({limit["verdict"], *(w["verdict"] for w in watches)}) > 1:
        rows.append(("", "", "together", VERDICTS[limit["verdict"]], "", "", limit.get("reason", "the worst of its probes")))
    return rows


def _limit_sources(sheet: Sheet, lot: Mapping[str, Any], steps: Sequence[Any]) -> None:
    known: dict[tuple[str, str], Limit] = {(s.name, x.name): x for s in steps for x in s.limits}
    said: dict[str, list[str]] = {}
    for judged in lot["limits"]:
        limit = known.get((judged["step"], judged["limit"]))
        if limit is not None:
            text = " ".join(wording.sources(limit))
            said.setdefault(f": {text}", []).append(f"{judged['step']}, {judged['limit']}")
    if said:
        sheet.heading("Where the limits come from", 11)
        sheet.points([f"{' / '.join(names)}{text}" for text, names in said.items()], size=8.5)


def _entries(sheet: Sheet, events: Sequence[LotEvent], clock: Clock) -> None:
    if not events:
        return
    sheet.heading("Entered for this lot", 11)
    rows = []
    for e in events:
        late = "" if e.entered is None or e.entered == e.at else f"entered {clock(e.entered)}"
        rows.append((clock(e.at), e.event, e.name, e.value, e.by, late))
    sheet.grid(("When", "What", "Name", "Value", "By", "Entered later"), rows, (20, 12, 20, 20, 18, 22))


def _standing(sheet: Sheet, story: Story) -> None:
    days = [s for s in story.report.get("standing", ()) if s.get("day") == story.colophon.day] or list(story.report.get("standing", ()))
    if not days:
        return
    unit, clock = story.plan.site.unit, story.clock
    sheet.heading("Rooms, watched day and night", 13)
    rows: list[Sequence[str]] = []
    for s in days:
        for row in _limit_rows(s, unit, clock):
            rows.append((f"{s['room']} {s.get('day', '')}".strip() if row[1] else "", *row[1:]))
    sheet.grid(("Room", "Limit", "Probe", "Verdict", "Dated", "Margin", "Why"), rows, (14, 15, 12, 13, 17, 19, 35), size=7.5)
    lines = [(f"{s.room}: {x.name}", " ".join(wording.sources(x))) for s in story.plan.standing for x in s.limits]
    sheet.points([f"{name}. {text}" for name, text in lines], size=8.5)


def _deviations(sheet: Sheet, story: Story) -> None:
    clock = story.clock
    sheet.heading("Deviations and corrective actions", 13)
    by_number: dict[str, list[dict[str, Any]]] = {}
    for entry in story.of_kind("deviation"):
        by_number.setdefault(str(entry["body"].get("deviation", "?")), []).append(entry)
    if not by_number:
        sheet.say("No deviation record belongs to this day.")
    for number, entries in by_number.items():
        closed = any(e["body"].get("what") == "closed" for e in entries)
        first = entries[0]["body"]
        about = ", ".join(str(first[k]) for k in ("lot", "step", "limit") if first.get(k))
        sheet.heading(f"{number}: {about} - {'closed' if closed else 'OPEN'}", 10.5, room=60)
        for entry in entries:
            lines = wording.deviation_lines(entry, clock)
            sheet.say(lines[0], size=9, bold=True)
            sheet.points(lines[1:], size=8.5)


def _probes(sheet: Sheet, story: Story) -> None:
    site = story.plan.site
    sheet.heading("Probes, their calibration and their blind times", 13)
    clock = story.clock
    rows, blind = [], []
    for probe in story.plan.probes:
        day = story.probes[probe.id]
        rows.append((
            probe.id, probe.place, probe.room or "-", str(day.good), _unused(day),
            difference(day.offset_c, site.unit) if day.good else "-",
            difference(probe.uncertainty_c, site.unit) if probe.uncertainty_c is not None else "not stated",
            _checked(story.colophon.checks.get(probe.id), probe, site.unit, clock),
        ))  # fmt: skip
        if not day.good and day.duty:
            blind.append(f"{probe.id}: no good reading on this day.")
        for gap in day.longest():
            blind.append(f"{probe.id}: {clock(gap.begins)} to {clock(gap.ends)}, {format_span(gap.ends - gap.begins)}.")
        if day.gap_count > len(day.longest()):
            blind.append(f"{probe.id}: {day.gap_count} such stretches in all, {format_span(day.blind)} together.")
    heads = ("Probe", "Place", "Room", "Good", "Not used", "Offset", "Uncertainty", "Last checked")
    sheet.grid(heads, rows, (13, 10, 11, 9, 19, 10, 12, 33), size=7.5)
    _recalls(sheet, story)
    sheet.say(
        "Blind times: stretches on duty without a good reading, longer than the strictest monitoring frequency of the place.", bold=True
    )
    sheet.points(blind or ["None."], size=8.5)


def _unused(day: ProbeDay) -> str:
    parts = [f"{n} {word}" for n, word in ((day.suspect, "suspect"), (day.faults, "faults"), (day.late, "late")) if n]
    return ", ".join(parts) or "-"


def _recalls(sheet: Sheet, story: Story) -> None:
    """What was found of probes that read wrong on this day, with every verdict that it changes."""
    recalls = story.of_kind("recall")
    if not recalls:
        return
    clock = story.clock
    sheet.heading("Recalled probes", 11)
    for entry in recalls:
        sheet.say(wording.recall_text(entry, clock, story.plan.site.unit), size=9, bold=True)
        lines = [
            f"{c['lot'] or c['step'] + ' ' + c['day']}: {c['limit']}, {c['probe']}: was {VERDICTS[c['was']]}, is {VERDICTS[c['now']]}."
            + (f" {c['note']}." if c.get("note") else "")
            for c in entry["body"].get("changes", ())
        ]
        sheet.points(lines or ["No verdict became another."], size=8.5)


def _checked(check: Mapping[str, Any] | None, probe: Probe, unit: str, clock: Clock) -> str:
    if probe.place == "humidity":
        return "-"
    if check is None:
        return "NEVER CHECKED in these records"
    read, reference = float(check["indicated_c"]), float(check["reference_c"])
    day = local(parse_instant(str(check["at"])), clock.zone).date().isoformat()
    told = f"{day}, {check['method']}: read {temperature(read, unit)} for {temperature(reference, unit)}, by {check['by']}"
    allowed = difference(float(check["tolerance_c"]), unit)
    if check["good"]:
        told += f"; good, {allowed} allowed"
    else:
        told += f"; LEFT {difference(abs(float(check['left_error_c'])), unit)} OFF, {allowed} allowed"
    due = due_after(check, probe)
    return told + (f"; next due {local(due, clock.zone).date().isoformat()}" if due is not None else "; no good check on record")


def _records(sheet: Sheet, story: Story) -> None:
    rest = [e for e in story.records if e["kind"] not in _SHOWN_ELSEWHERE or e["kind"] == "finding"]
    if not rest:
        return
    clock = story.clock
    sheet.heading("What was found and done, in the order in which it was recorded", 13)
    rows = [
        (str(e["seq"]), clock(e["at"]), e["kind"], e["by"] or "-", wording.record_text(e["kind"], e["body"], clock))
        for e in rest[:MOST_RECORDS]
    ]
    sheet.grid(("No.", "When", "Kind", "By", "What"), rows, (7, 18, 12, 14, 62), size=7.5)
    if len(rest) > MOST_RECORDS:
        sheet.say(f"{len(rest) - MOST_RECORDS} further records are in ledger.jsonl.")


def _proof(sheet: Sheet, story: Story) -> None:
    colophon, site = story.colophon, story.plan.site
    sheet.heading("How to check this export", 13)
    sheet.points([
        f"{story.readings} readings and faults stand in readings.csv; larderer judge repeats every verdict from them (lots.json).",
        "python3 verify.py checks every file against the signed manifest, the records' chain and the seals over the readings.",
        f"Ledger head: {colophon.head}. Noted down elsewhere, it shows later whether the history was written anew.",
        f"Signed with the site's key {colophon.key}, in short {colophon.fingerprint}.",
        f"Plan of {site.name}: {story.plan.sha256}.",
        *(f"An earlier version still in force for lots of this day: {p.sha256}." for p in story.plans[:-1]),
        *([f"Made by {colophon.program}."] if colophon.program else []),
    ], size=8.5)  # fmt: skip
    marks = {c.mark for p in story.plans for prod in p.products for s in prod.steps for x in s.limits for c in x.citations}
    if marks:
        sheet.say("Marks beside the sources: " + "; ".join(f"{m}: {words}" for m, words in MARKS.items() if m in marks) + ".", size=8.5)
