"""What is told about a lot, in sentences: where it is, what each limit still asks, what was decided and why.

Pure functions from the Judge JSON, the plan and the probes' newest values to text; nothing here judges.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from markupsafe import Markup, escape

from monitor.alarms.limit_text import limit_text
from monitor.page.margins import late_words, margin_words
from monitor.page.words import VERDICTS, Words, about, instant
from rules.limits import spec
from rules.plan import Limit, Plan
from rules.reading import SECOND, Instant
from rules.remedy import words as remedy_words
from rules.sources import doubt, short_doubt, source_lines

Json = Mapping[str, Any]
#: What happened to an alarm, where the record's own word is not one that people use.
HAPPENINGS = {
    "raise": "rang", "acknowledge": "acknowledged", "clear": "back to normal", "realarm": "rang again: it still stands", "reset": "let go",
}  # fmt: skip
_WORST = ("deviated", "unproven", "open", "met")


class Told(NamedTuple):
    """One limit of a lot as the page tells it.

    `verdict` is a key of VERDICTS. `asks` is the limit itself, `now` what is still to do while it is judged,
    `why` the reason of a decided one, `watches` the same per probe, `sources` where its figures come from. `at` is when it
    was decided; `here` says that the lot is now in a step that it asks something of. `doubtful`, and shorter `unread`, say
    that figures were not read in the original.
    """

    name: str
    step: str
    critical: bool
    verdict: str
    current: bool
    asks: str
    now: Markup
    why: str
    watches: Sequence[Told]
    sources: Sequence[str]
    doubtful: str
    at: Instant | None = None
    here: bool = False
    unread: str = ""

    @property
    def wrong(self) -> bool:
        """Whether it was not met, or could not be shown to be."""
        return self.verdict in ("deviated", "unproven")

    @property
    def past(self) -> bool:
        """Whether it went wrong in a step that is over and was no critical limit: on record, and nothing to act on now."""
        return self.wrong and not self.critical and not self.here

    @property
    def sign(self) -> str:
        """The verdict's own sign."""
        return VERDICTS[self.verdict][0]

    @property
    def meaning(self) -> str:
        """The verdict in plain words."""
        return VERDICTS[self.verdict][2]


def plan_limit(plan: Plan, product: str, step: str, name: str) -> Limit | None:
    """The limit that a judged one came from, if the plan in force still has it."""
    made = plan.product_by_code.get(product)
    found = made.step(step) if made else None
    return next((one for one in found.limits if one.name == name), None) if found else None


def tell_limits(lot: Json, limits: Sequence[Json], plan: Plan, probes: Sequence[Json], words: Words) -> list[Told]:
    """Every limit of a lot: what went wrong, what is judged now, what went wrong in operation before, the rest in the plan's order.

    Critical limits come before operating ones, and of what went wrong the newest comes first.
    """
    steps = list(lot["steps_now"])
    made = plan.product_by_code.get(lot["product"])
    entered = _entered([s.name for s in made.steps] if made else [], steps, lot)
    told = [_tell(lot, one, plan_limit(plan, lot["product"], one["step"], one["limit"]), steps, entered, probes, words) for one in limits]
    return sorted(told, key=_place)


def _place(told: Told) -> tuple[int, bool, int]:
    """Where a limit comes among the others; those of one place keep the plan's order."""
    if told.wrong:
        return (2 if told.past else 0), not told.critical, -(told.at or 0)
    return (1, not told.critical, 0) if told.current else (3, False, 0)


def _entered(names: Sequence[str], steps: Sequence[str], lot: Json) -> set[str]:
    """The steps that have begun: those up to the one the lot is in."""
    if lot.get("ended") is not None:
        return set(names)
    reached = [names.index(s) for s in steps if s in names]
    return set(names[: max(reached) + 1]) if reached else set(names)


def _tell(lot: Json, one: Json, limit: Limit | None, steps: Sequence[str], entered: set[str], probes: Sequence[Json], words: Words) -> Told:
    over = set(limit.over) if limit and limit.over else {one["step"]}
    ended = lot.get("ended") is not None
    begun = bool(over & entered) or any(w["verdict"] != "open" for w in one["watches"])
    verdict = one["verdict"]
    # A limit that was left short or whose clock runs on travels with the lot: it is judged now although its step is over.
    current = not ended and verdict == "open" and begun and (bool(over & set(steps)) or bool(one["watches"]))
    watches = sorted(one["watches"], key=lambda w: (_WORST.index(w["verdict"]), w.get("margin", {}).get("seconds", 0)))
    serving = {p["probe"]: p for p in probes if p["lot"] == lot["lot"] and not ended and p["celsius_c"] is not None}
    decided = [w for w in watches if w["verdict"] == verdict]
    if limit and isinstance(limit.rule, spec.Cooling):  # of several that came late, the one that is warmest now
        decided.sort(key=lambda w: -serving[w["probe"]]["celsius_c"] if w["probe"] in serving else 0.0)
    why = next((_why(w, limit, serving, words) for w in decided if w["reason"]), str(one.get("reason", "")))
    known = [at for w in decided if (at := instant(w.get("at"))) is not None]
    return Told(
        name=one["limit"],
        step=one["step"],
        critical=one["class"] == "critical",
        verdict="not begun" if verdict == "open" and not begun else verdict,
        current=current,
        asks=limit_text(limit, words.unit) if limit else one["kind"],
        now=_heading(one, lot, _now(watches, limit, probes, lot, words)) if current else Markup(""),
        why=why,
        watches=[_watch(w, one, limit, serving, words, current=current) for w in watches],
        sources=sources(limit) if limit else [],
        doubtful=doubt(limit) if limit else "",
        unread=short_doubt(limit) if limit else "",
        at=max(known, default=None),
        here=not ended and bool(over & set(steps)),
    )


def _why(w: Json, limit: Limit | None, serving: Mapping[str, Json], words: Words) -> Markup:
    """Why a watch was decided as it was; of a cooling that is late also since when, and what the core reads."""
    late = late_words(w, limit, serving.get(str(w["probe"])), words)
    return Markup("{}: {}").format(w["reason"], late) if late else escape(w["reason"])


def _watch(w: Json, one: Json, limit: Limit | None, serving: Mapping[str, Json], words: Words, *, current: bool) -> Told:
    margin = margin_words(w, limit, words)
    still = _remedy(w, words) if w["verdict"] in ("deviated", "unproven") else ""
    still = f"what would still meet it: {still}" if still else ""
    parts = (_why(w, limit, serving, words), escape(margin), escape(still))
    why = Markup(". ").join(part[:1].upper() + part[1:] for part in parts if part)
    now = _asks_still(w, limit, words) if w["verdict"] == "open" and current else Markup("")
    return Told(str(w["probe"]), "", one["class"] == "critical", w["verdict"], current, "", now, why, (), (), "")


def _heading(one: Json, lot: Json, now: Markup) -> Markup:
    """What a limit still asks, and when that is expected of the probe that is latest with it."""
    told = [f for f in lot.get("forecasts", ()) if (f["step"], f["limit"]) == (one["step"], one["limit"])]
    if not told:
        return now
    worst = max(told, key=lambda f: (f["earliest"] is None, f["latest"] is None, f["latest"] or ""))
    return Markup("{}; {}: {}").format(now, worst["probe"], worst["text"])


def _remedy(w: Json, words: Words) -> str:
    """What would still meet a watch, as of now; blank where nothing would."""
    told = w.get("evidence", {}).get("remedy")
    return remedy_words(told, words.unit, words.zone, words.now) if told else ""


def sources(limit: Limit) -> list[str]:
    """Where a limit's figures come from, one sentence each, with how well they were verified."""
    return source_lines(limit) or ["The plan names no source for it."]


def _now(watches: Sequence[Json], limit: Limit | None, probes: Sequence[Json], lot: Json, words: Words) -> Markup:
    """What a limit still asks, by the watch that decides it, with what its probe reads."""
    live = [w for w in watches if w["verdict"] == "open"]
    if not live:
        return Markup("no probe serves it now: what is not measured is not controlled")
    # Of watches with the same margin the one whose probe reads worse for the lot: the warmest, or where hot is good the coldest.
    hot_is_good = isinstance(limit.rule, spec.HoldLethality | spec.IntegratedLethality | spec.Floor) if limit else False
    by_name = {p["probe"]: p for p in probes}

    def worse(w: Json) -> tuple[float, float]:
        celsius = by_name.get(w["probe"], {}).get("celsius_c")
        left = w.get("margin", {}).get("seconds", 0)
        if limit and isinstance(limit.rule, spec.Cooling):
            # Its margin may be that of a mark that is behind it; what presses is the mark that is next.
            pending = [
                at
                for row in w.get("evidence", {}).get("windows", ())
                if row.get("mark_at") is None and (at := instant(row.get("deadline_at")))
            ]
            left = min(pending, default=float("inf"))
        return left, 0 if celsius is None else celsius if hot_is_good else -celsius

    live.sort(key=worse)
    parts = [_asks_still(live[0], limit, words)]
    shown = sorted((by_name[w["probe"]] for w in live if w["probe"] in by_name), key=lambda p: worse({"probe": p["probe"]})[1])
    parts += [reads(p, words) for p in shown[:3] if p["lot"] in ("", lot["lot"])]
    return Markup("; ").join(parts)


def reads(probe: Json, words: Words) -> Markup:
    """What a probe reads and how old that is: "core-2 reads 96.4 °F, 8 s ago"."""
    value = words.read(probe)
    if not value:
        return Markup("{} has read nothing").format(probe["probe"])
    text = Markup("{} reads <b>{}</b>, {}").format(probe["probe"], value, words.ago(probe["at"]))
    return text if probe["health"] == "good" else text + Markup(" (<b>{}</b>)").format(probe["health"])


def _asks_still(w: Json, limit: Limit | None, words: Words) -> Markup:
    """What one open watch still asks, in the words of its kind."""
    rule = limit.rule if limit else None
    facts, margin = w.get("evidence", {}), w.get("margin", {})
    seconds = margin.get("seconds")
    span = None if seconds is None else round(seconds * SECOND)
    if isinstance(rule, spec.Cooling):
        return _cooling(rule, facts, words)
    if isinstance(rule, spec.HoldLethality):
        if remedy := _remedy(w, words):
            return Markup("<b>{}</b> to meet it").format(remedy)
        first, last = rule.rows[0], rule.rows[-1]
        hotter = f", or a hotter row up to {words.temp_short(last.at_c)}" if last is not first else ""
        return Markup("not yet at <b>{}</b>, to be held {}{}").format(words.temp_short(first.at_c), about(first.length), hotter)
    if isinstance(rule, spec.IntegratedLethality):
        told = Markup("<b>{}</b> of {} log10 summed").format(f"{facts.get('log10', 0):.2f}", f"{rule.target_log:g}")
        return told + (Markup("; {} to meet it").format(remedy) if (remedy := _remedy(w, words)) else "")
    if isinstance(rule, spec.ComeUp) and span is not None:
        low, high = words.temp_short(rule.low_c), words.temp_short(rule.high_c)
        return Markup("<b>{}</b> left of {} between {} and {}").format(about(max(span, 0)), about(rule.within), low, high)
    if isinstance(rule, spec.Exposure) and facts.get("tiers"):
        tier = min(facts["tiers"], key=lambda t: t["within_s"] - t["certain_s"])
        left = about(round(max(tier["within_s"] - tier["certain_s"], 0) * SECOND))
        return Markup("<b>{}</b> left above {}").format(left, words.temp_short(tier["above_c"]))
    if isinstance(rule, spec.Dwell) and "shown_s" in facts:
        shown, needed = about(round(facts["shown_s"] * SECOND)), about(round(facts["needed_s"] * SECOND))
        told = Markup("<b>{}</b> of {} shown").format(shown, needed)
        return told + (Markup("; {} to meet it").format(remedy) if (remedy := _remedy(w, words)) else "")
    if isinstance(rule, spec.Ceiling | spec.Floor):
        return _bound(rule, facts, span, words)
    if isinstance(rule, spec.Humidity) and "humid_s" in facts:
        asked = limit_text(limit, words.unit) if limit else ""
        return Markup("<b>{}</b> shown of {}").format(about(round(facts["humid_s"] * SECOND)), asked)
    if isinstance(rule, spec.Composition) and "value" not in facts:
        return Markup("<b>{}</b> is to be entered").format(limit_text(limit, words.unit) if limit else rule.measure)
    if isinstance(rule, spec.Profile) and facts.get("stages"):
        number, stage = len(facts["stages"]), facts["stages"][-1]
        text = Markup("stage {} of {}, set to <b>{}</b>").format(number, len(rule.stages), words.temp_short(stage["set_c"]))
        if (since := instant(facts.get("off_since_at"))) is not None:
            text += Markup("; off it since {}, by {} at most").format(words.when(since), words.diff(facts["furthest_c"]))
        return text
    return Markup("{}").format(limit_text(limit, words.unit) if limit else "being judged")


def _bound(rule: spec.Ceiling | spec.Floor, facts: Json, span: int | None, words: Words) -> Markup:
    ceiling = isinstance(rule, spec.Ceiling)
    bound = words.temp_short(rule.max_c if isinstance(rule, spec.Ceiling) else rule.min_c)
    text = Markup("at {} {}").format("most" if ceiling else "least", bound)
    if "worst_c" in facts:
        text += Markup("; {} so far {}").format("highest" if ceiling else "lowest", words.temp(facts["worst_c"]))
    if rule.allowed and span is not None and facts.get("longest_over_s"):
        text += Markup("; <b>{}</b> left {} it").format(about(max(span, 0)), "over" if ceiling else "under")
    return text


def _cooling(rule: spec.Cooling, facts: Json, words: Words) -> Markup:
    if facts.get("clock_at") is None:
        return Markup("its clock starts when the core falls below <b>{}</b>").format(words.temp_short(rule.start_c))
    for window in facts.get("windows", ()):
        deadline = instant(window.get("deadline_at"))
        if window.get("mark_at") is None and deadline is not None:
            left, to = deadline - words.now, words.temp_short(window["to_c"])
            if left >= 0:
                return Markup("<b>{}</b> is due in <b>{}</b>, by {}").format(to, about(left), words.when(deadline))
            return Markup("<b>{}</b> was due <b>{} ago</b>, at {}").format(to, about(left), words.when(deadline))
    return Markup("every mark is reached; it is met once the last one is kept for 30 min")


def step_sentence(lot: Json, words: Words) -> Markup:
    """Where the lot is: "J-0412 is in chill, for 1 h 12 min, since 14:02."."""
    if lot["ended"] is not None:
        return Markup("<b>{}</b> ended at {}.").format(lot["lot"], words.when(lot["ended"]))
    if len(lot["steps_now"]) > 1:
        return Markup("<b>{}</b> is between {}: the limits of both are judged until somebody says where it is.").format(
            lot["lot"], Markup(" and ").join(Markup("<b>{}</b>").format(s) for s in lot["steps_now"])
        )
    text = Markup("<b>{}</b> is in <b>{}</b>").format(lot["lot"], lot["step"])
    if lot["step_since"] is not None:
        text += Markup(", {} so far (since {})").format(words.since(lot["step_since"]), words.when(lot["step_since"]))
    return text + (Markup("; <b>{}</b> is next and waits for your word.").format(lot["awaits"]) if lot["awaits"] else Markup("."))


def deviation_words(record: Json) -> str:
    """A deviation record in a line: "T-0301, rest: rest cold deviated"."""
    if not record["limit"]:
        return f"{record['lot'] or 'in no lot'}: {record['observed'][0]['text']}"
    return f"{record['lot'] or 'room'}, {record['step']}: {record['limit']} {record['verdict']}"


def entry_words(entry: Json, words: Words) -> Markup:
    """One entry of a lot in a few words: "core-1 put in", "hand check of the core: 33.5 °F"."""
    name, value = entry["name"], entry["value"]
    texts: dict[str, tuple[str, tuple[object, ...]]] = {
        "start": ("<b>started</b> as {}", (name,)),
        "step": ("in <b>{}</b>", (name,)),
        "place": ("<b>{}</b> put in", (name,)),
        "remove": ("<b>{}</b> taken out ({})", (name, value)),
        "check": ("<b>hand check</b>, {}: {}", (name, value)),
        "measure": ("<b>{}</b>: {}", (name, value)),
        "undo": ("<b>took back</b> the entry of {}", (words.when(value) if entry["event"] == "undo" else "",)),
        "end": ("<b>ended</b>", ()),
    }
    text, given = texts.get(entry["event"], ("{} {} {}", (entry["event"], name, value)))
    return Markup(text).format(*given)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
