"""Play a product's schedule: the model's core and air as readings through the real engine, step by step."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

from rules.engine import Engine
from rules.errors import RehearsalError
from rules.finding import Verdict
from rules.limits.kinds import WATCH_OF
from rules.limits.spec import ComeUp, Cooling, Humidity, Profile, Stage
from rules.lot import Lot
from rules.plan import Limit, Plan, Product, Step
from rules.reading import HOUR, MINUTE, Instant, LotEvent, Reading, Span, Tick
from rules.rehearsal.oven import STEP, STEP_S, Oven
from rules.rehearsal.settings import AIR_C, BESIDE_THE_COOK, IN_A_WORK_ROOM, LONGEST_STEP, TRANSFER, Settings, Stay, kind_of, material
from rules.report import lot_report
from rules.science.conduction import Piece

_LOT = "rehearsal"
#: What a decided cooling still needs to be final, and a little more.
_AFTER_COOLING: Span = 40 * MINUTE
_LONGEST: Span = 96 * HOUR


class Entered(NamedTuple):
    """A step, or a stage within it, at its beginning: `at` since the first one, what surrounds the piece, and its core."""

    step: str
    at: Span
    surroundings: str
    celsius: float
    core_c: float


@dataclass
class Rehearsal:
    """What came of it. `lot` is the Judge JSON of the rehearsed lot; `left_out` are (step, limit, why)."""

    product: Product
    entered: list[Entered] = field(default_factory=list)
    lot: Mapping[str, Any] = field(default_factory=dict)
    left_out: list[tuple[str, str, str]] = field(default_factory=list)
    measures: Mapping[str, float] = field(default_factory=dict)
    band_c: tuple[float, float] | None = None
    in_band: Span = 0
    length: Span = 0
    core_c: list[float] = field(default_factory=list)  # every 10 s


def rehearse(plan: Plan, product: Product, settings: Settings) -> Rehearsal:
    """Run the product from its cook to its end. Raises RehearsalError where the plan says too little for it."""
    unknown = [name for name in settings.stays if product.step(name) is None]
    if unknown:
        raise RehearsalError(f'{product.code} has no step "{unknown[0]}"; write one of {", ".join(s.name for s in product.steps)}')
    return _Play(plan, product, settings).run()


class _Play:
    """One rehearsal. Time begins at 0, which no watch minds: the same plan and settings give the same outcome."""

    def __init__(self, plan: Plan, product: Product, settings: Settings) -> None:
        self.settings = settings
        self.found = Rehearsal(product)
        self.oven, self.first, self.hot = _cook(product, settings)
        self.product = self._reduced(product)
        # The model's air stands still and jumps, which rules about a probe's behaviour would take for a fault of the probe.
        probes = tuple(replace(p, stuck_after=None, max_rate_c_s=None, span_c=None) for p in plan.probes)
        self.plan = replace(plan, products=(self.product,), standing=(), probes=probes)
        wanted = max((limit.probes or 1 for s in self.product.steps for limit in s.limits), default=1)
        self.cores = [p.id for p in plan.probes if p.place == "core"][:wanted]
        if not self.cores:
            raise RehearsalError('the plan has no core probe; write a [[probe]] with place = "core"')
        self.u = max(plan.probe_by_id[p].uncertainty_c or 0.0 for p in self.cores)
        # A thin piece in water passes the room's air as fast as a probe that falls out of it, and the engine would take it for that.
        wet = {s.room for s in self.product.steps if settings.stays.get(s.name, Stay()).water}
        asked = {x.place for s in self.product.steps if s.room in wet for x in s.limits}
        self.unread = {p.id for p in plan.probes if p.room in wet and p.room is not None and p.place not in asked}
        self.engine = Engine(self.plan)
        self.piece = Piece("cylinder", settings.diameter_m / 2.0, settings.start_c, material(product))
        self.now: Instant = 0
        self.since: Instant = 0
        self.decided_at: Instant | None = None
        self.step = self.product.steps[0]
        for limit in (x for s in self.product.steps for x in s.limits):
            if isinstance(limit.rule, ComeUp) and self.found.band_c is None:
                self.found.band_c = (limit.rule.low_c, limit.rule.high_c)

    # --- what is played -------------------------------------------------------------------------------------------

    def _reduced(self, product: Product) -> Product:
        """The product from its cook on, with the limits that a model of heat can speak of."""
        steps = []
        for i, step in enumerate(product.steps):
            kept = []
            for limit in step.limits:
                why = "it lies before the cook" if i < self.first else _beyond_the_model(limit)
                if why:
                    self.found.left_out.append((step.name, limit.name, why))
                else:
                    kept.append(limit)
            if i >= self.first and not (step.optional and step.name not in self.settings.stays):
                steps.append(replace(step, limits=tuple(kept), optional=False))
        names = {s.name for s in steps}
        return replace(product, steps=tuple(_without_skipped(s, names) for s in steps))

    def run(self) -> Rehearsal:
        """Play to the end."""
        self._say("start", self.product.code)
        self._say("step", self.step.name)
        for probe in self.cores:
            self._say("place", probe)
        needs = [n for s in self.product.steps for x in s.limits if isinstance(x.rule, Cooling) and x.rule.needs for n in x.rule.needs[0]]
        self.found.measures = {n.measure: n.least for n in needs}
        for name, least in self.found.measures.items():
            self._say("measure", name, f"{least:g}")
        self._enter(self.step)
        self._read()
        low, high = self.found.band_c or (0.0, 0.0)
        through = False
        while self.now < _LONGEST:
            self.now += STEP
            celsius, transfer, _ = self._around()
            self.piece.step(STEP_S, celsius, transfer)
            core_c = self.piece.core_c
            through = through or core_c >= high
            if not through and core_c > low:
                self.found.in_band += STEP
            if not self._move_on():
                break
            self._read()
            if self.step.name in self.hot:
                self._go_on_in_the_schedule(core_c - self.u)
        self._read()
        self.now += STEP
        self._say("end")
        self.engine.feed(Tick(self.now + STEP))  # what the end asked for is carried out once time has passed it
        self.found.lot = lot_report(self.engine.lots[_LOT])
        self.found.length = self.now
        return self.found

    # --- readings -------------------------------------------------------------------------------------------------

    def _around(self) -> tuple[float, float, str]:
        """Temperature, surface coefficient and words for what surrounds the piece now."""
        stay = self.settings.stays.get(self.step.name, Stay())
        hot = self.step.name in self.hot
        kind = "water" if stay.water else kind_of(self.plan, self.step, hot)
        if stay.celsius is not None:
            celsius = stay.celsius
        elif hot:
            celsius = self.oven.celsius
        else:
            celsius = AIR_C.get(kind, AIR_C["work"])
        return celsius, TRANSFER[kind], "water" if stay.water else "air"

    def _read(self) -> None:
        """Every probe shows what the model says: core probes the axis, fixed ones the air of their room."""
        core_c = round(self.piece.core_c, 3)
        self.found.core_c.append(core_c)
        for probe in self.cores:
            self.engine.feed(Reading(probe, self.now, core_c))
        celsius, _, medium = self._around()
        for fixed in self.plan.probes:
            if fixed.place not in ("chamber", "cooler", "room") or fixed.id in self.unread:
                continue
            here = (fixed.room == self.step.room if self.plan.rooms else fixed.place == self._place()) and medium == "air"
            room = self.plan.room_by_id.get(fixed.room or "")
            elsewhere = room.kind if room is not None else "work"
            if self.plan.rooms or here:
                self.engine.feed(Reading(fixed.id, self.now, round(celsius if here else AIR_C[elsewhere], 3)))

    def _place(self) -> str:
        return "chamber" if self.step.name in self.hot else "cooler"

    # --- moving on ------------------------------------------------------------------------------------------------

    def _move_on(self) -> bool:
        """Enter the next step once this one is over; False once the last one is."""
        lot = self.engine.lots[_LOT]
        steps = self.product.steps
        if lot.current != [self.step.name] and lot.advance.prompt is None:
            self._enter(lot.step(lot.current[-1]))
            return True
        stay = self.settings.stays.get(self.step.name, Stay())
        in_step = self.now - self.since
        asked = lot.advance.prompt is not None and stay.length is None
        if not asked and in_step < (LONGEST_STEP if (length := self._length(stay, lot, in_step)) is None else length):
            return True
        index = steps.index(self.step) + 1
        if index == len(steps):
            return False
        self._say("step", steps[index].name)
        self._enter(steps[index])
        return True

    def _length(self, stay: Stay, lot: Lot, in_step: Span) -> Span | None:
        """How long the step lasts; None while that is not known yet."""
        if stay.length is not None:
            return stay.length
        step, last = self.step, self.step is self.product.steps[-1]
        if step.name in self.hot:
            cooks = [r for r in lot.runs.values() if r.limit.kind == "lethality" and step.name in r.steps]
            if not cooks:
                return BESIDE_THE_COOK if step.advance is None else None
            met = all(lot.limit_verdict(r)[0] is Verdict.MET for r in cooks)
            # A schedule that is over is over, whether its lethality is met or not; one temperature throughout has no end of its own.
            ended = self.oven.done or (met and step.advance is None and self.settings.chamber_c is not None)
            return in_step if ended else None
        if step.advance is not None and not last:
            return None
        if last or kind_of(self.plan, step, False) in ("cooler", "freezer"):
            cooling = [r for r in lot.runs.values() if r.limit.kind == "cooling"]
            # Also what has been missed is cooled to its end, so that a person sees when it would be cold.
            coldest = min((w.to_c for r in cooling if isinstance(r.limit.rule, Cooling) for w in r.limit.rule.windows), default=None)
            if any(lot.limit_verdict(r)[0] is Verdict.OPEN for r in cooling) or (coldest is not None and self.piece.core_c > coldest):
                return None
            self.decided_at = self.now if self.decided_at is None else self.decided_at
            return max(IN_A_WORK_ROOM, self.decided_at + _AFTER_COOLING - self.since)
        return IN_A_WORK_ROOM

    def _go_on_in_the_schedule(self, core_c: float) -> None:
        """The chamber's next stage, where this one is over; its core is taken less the probe's uncertainty, as the profile's watch does."""
        number = self.oven.number
        self.oven.pass_time(STEP, core_c)
        if self.oven.number != number:
            self.found.entered.append(Entered(f"  stage {self.oven.number + 1}", self.now, "air", self.oven.celsius, self.piece.core_c))

    def _enter(self, step: Step) -> None:
        self.step, self.since = step, self.now
        celsius, _, medium = self._around()
        self.found.entered.append(Entered(step.name, self.now, medium, celsius, self.piece.core_c))

    def _say(self, event: str, name: str = "", value: str = "") -> None:
        self.engine.feed(LotEvent(self.now, event, _LOT, name, value))


def _cook(product: Product, settings: Settings) -> tuple[Oven, int, frozenset[str]]:
    """The chamber's schedule, the first step of the cook, and the steps that lie in it."""
    steps = product.steps
    kinds = ("lethality", "come-up", "profile")
    first = next((i for i, s in enumerate(steps) if any(x.kind in kinds for x in s.limits)), None)
    if first is None:
        raise RehearsalError(f"{product.code} has no cook: no lethality, come-up or profile limit; there is nothing to rehearse")
    hot = frozenset(n for s in steps for x in s.limits if x.kind in kinds for n in (s.name, *x.over))
    profile = next((x.rule for s in steps for x in s.limits if isinstance(x.rule, Profile)), None)
    if settings.chamber_c is not None:
        return Oven((Stage(settings.chamber_c, None, 1e6),)), first, hot
    if profile is None:
        sentence = f"{product.code}, step {steps[first].name}: no profile says what the chamber is set to"
        raise RehearsalError(f'{sentence}; write a limit of the kind profile, or give --chamber "170 °F"')
    return Oven(profile.stages), first, hot


def _beyond_the_model(limit: Limit) -> str:
    """Why a model of heat has nothing to say of a limit; "" where it has."""
    if limit.sampled:
        return "it is judged on checks by hand"
    if isinstance(limit.rule, Humidity) and limit.rule.exempt:
        return f"nothing is measured: exempt ({limit.rule.exempt})"
    if limit.kind in ("composition", "degree-hours", "humidity") or limit.place in ("wet-bulb", "humidity"):
        return "the model knows nothing of it"
    if type(limit.rule) not in WATCH_OF:
        return f"this version does not judge the kind {limit.kind}"
    return ""


def _without_skipped(step: Step, names: set[str]) -> Step:
    """A step whose limits run over the rehearsed steps alone."""
    limits = tuple(replace(x, over=tuple(n for n in x.over if n in names)) for x in step.limits)
    return replace(step, limits=limits)
