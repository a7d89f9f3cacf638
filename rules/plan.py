"""The plan model: one HACCP plan, loaded once, never changed. Loading and checking is `plan_load.py`.

Temperatures in °C, durations in microseconds. `line` is the line of the plan file, 0 where unknown.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from zoneinfo import ZoneInfo

from rules.limits.spec import KIND_OF, Rule
from rules.reading import MINUTE, Span

PLACES = ("core", "chamber", "cooler", "room", "wet-bulb", "humidity")
ROOM_KINDS = ("chamber", "cooler", "freezer", "work")
SPECIES = ("meat", "chicken", "turkey", "other-poultry")


@dataclass(frozen=True, slots=True)
class Site:
    """Where the plan applies and how people there read numbers. `altitude_m` is None where unstated."""

    id: str
    name: str
    timezone: str = "UTC"
    unit: str = "C"
    altitude_m: float | None = None
    books: tuple[str, ...] = ()

    @property
    def zone(self) -> ZoneInfo:
        """The site's time zone."""
        return ZoneInfo(self.timezone)


@dataclass(frozen=True, slots=True)
class Room:
    """A place that meat can be in. `kind` is one of ROOM_KINDS."""

    id: str
    kind: str


@dataclass(frozen=True, slots=True)
class Probe:
    """A thermometer, or a humidity probe (place "humidity": its values are per cent relative humidity, where °C is written).

    Core probes are placed in lots; every other place belongs to `room`. `dry_bulb` is the chamber probe beside a wet bulb.

    `tolerance_c` is the error that the site allows at a check, `check_every` how often it is checked (`monitor/calibrations.py` says what
    holds where the plan does not). `uncertainty_c` is the stated expanded uncertainty (0 if unstated). `span_c` is what the sensor can
    read. `max_rate_c_s` is the fastest believable change in °C per second; None: no such rule.
    """

    id: str
    place: str
    room: str | None = None
    uncertainty_c: float | None = None
    span_c: tuple[float, float] | None = None
    silent_after: Span = 2 * MINUTE
    max_rate_c_s: float | None = None
    stuck_after: Span | None = None
    source: str | None = None
    line: int = 0
    dry_bulb: str | None = None
    tolerance_c: float | None = None
    check_every: Span | None = None


@dataclass(frozen=True, slots=True)
class Citation:
    """Where a book's figures come from. `mark` says how well they were verified (see `rules/books/`)."""

    document: str
    section: str
    date: str
    mark: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit of a step or of a room. `rule` is the kind's own spec.

    `sampled`: judged on hand checks due this often. `probes`: how many probes must be shown.
    `guard`: probe uncertainty is used against the lot. `citations` are those of the book rows used.
    """

    name: str
    rule: Rule
    place: str
    max_gap: Span
    critical: bool = True
    over: tuple[str, ...] = ()
    sampled: Span | None = None
    probes: int | None = None
    guard: bool = True
    on_delay: Span = 0
    off_delay: Span = 0
    priority: str = ""
    book: str | None = None
    citations: tuple[Citation, ...] = ()
    confirmed: str = ""
    source: str = ""
    do: tuple[str, ...] = ()
    hazard: str = ""
    line: int = 0

    @property
    def kind(self) -> str:
        """The kind's name as the plan writes it."""
        return KIND_OF[type(self.rule)]


@dataclass(frozen=True, slots=True)
class Advance:
    """How a step is left with nobody there.

    `when` is "lethality met", "dwell met", "after" or "core"; "after" uses `length`; "core" uses
    `length` and one of `at_most_c`, `at_least_c`. `how` is "auto", "ask" or "hand".
    """

    when: str
    how: str = "ask"
    length: Span = 0
    at_most_c: float | None = None
    at_least_c: float | None = None
    confirm_within: Span | None = None
    text: str = ""


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a product, in one room (None where the plan names no rooms)."""

    name: str
    room: str | None = None
    limits: tuple[Limit, ...] = ()
    advance: Advance | None = None
    optional: bool = False
    repeats: bool = False
    line: int = 0


@dataclass(frozen=True, slots=True)
class Product:
    """What is made, step by step. `species` is one of SPECIES; `fat_pct` None where unknown.

    `diameter_m` is that of the link or casing, for the heat-transfer model only; None where unstated.
    """

    code: str
    name: str
    steps: tuple[Step, ...]
    species: str = "meat"
    cured: bool = False
    fat_pct: float | None = None
    line: int = 0
    diameter_m: float | None = None

    def step(self, name: str) -> Step | None:
        """The step of that name, if the product has it."""
        return next((s for s in self.steps if s.name == name), None)


@dataclass(frozen=True, slots=True)
class Standing:
    """Limits that watch a room with no lot, per local day."""

    room: str
    limits: tuple[Limit, ...]


@dataclass(frozen=True)
class Plan:
    """One HACCP plan. `sha256` is that of the file's bytes; `text` the file itself."""

    site: Site
    products: tuple[Product, ...]
    rooms: tuple[Room, ...] = ()
    probes: tuple[Probe, ...] = ()
    standing: tuple[Standing, ...] = ()
    sha256: str = ""
    text: str = field(default="", repr=False)

    @cached_property
    def probe_by_id(self) -> Mapping[str, Probe]:
        """Probes by their id."""
        return {p.id: p for p in self.probes}

    @cached_property
    def product_by_code(self) -> Mapping[str, Product]:
        """Products by their code."""
        return {p.code: p for p in self.products}

    @cached_property
    def room_by_id(self) -> Mapping[str, Room]:
        """Rooms by their id; empty where the plan is one room."""
        return {r.id: r for r in self.rooms}
