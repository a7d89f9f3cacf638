"""What requests carry. Unknown fields are refused, so that a misspelt one is not lost in silence."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, PlainSerializer, WithJsonSchema

from monitor.calibrations import parse_height, parse_pressure
from monitor.check_desk import ProbeCheck
from rules.errors import QuantityError
from rules.quantity import format_instant, parse_difference, parse_instant, parse_temperature
from rules.reading import Instant


def _instant(value: Any) -> Instant:
    if isinstance(value, str):
        return parse_instant(value)
    raise QuantityError(f'time is {value!r}; write ISO 8601 with its offset, such as "2026-03-02T13:04:10-06:00"')


def _celsius(value: Any) -> float:
    return parse_temperature(value)


def _difference(value: Any) -> float:
    return parse_difference(value)


#: An instant as text, ISO 8601 with its offset; microseconds in code.
At = Annotated[
    Instant,
    BeforeValidator(_instant),
    PlainSerializer(format_instant),
    WithJsonSchema({"type": "string", "format": "date-time", "examples": ["2026-03-02T13:04:10-06:00"]}),
]
#: A temperature with its unit as text; °C in code.
Temperature = Annotated[float, BeforeValidator(_celsius), WithJsonSchema({"type": "string", "examples": ["33.5 °F", "0.0 °C"]})]
#: A temperature difference with its unit as text; °C in code.
Difference = Annotated[float, BeforeValidator(_difference), WithJsonSchema({"type": "string", "examples": ["-0.4 °F", "0.2 °C"]})]
Words = Annotated[str, Field(max_length=2000)]
Name = Annotated[str, Field(min_length=1, max_length=80)]


def example(**fields: Any) -> ConfigDict:
    """The configuration of a body: strict about fields, with one example for OpenAPI."""
    return ConfigDict(extra="forbid", json_schema_extra={"examples": [fields]})


class StartLot(BaseModel):
    """A lot to be started. A blank `lot` gets an id made from product and day."""

    model_config = example(product="juniper-links", lot="J-0412", same_as_last=True)
    product: Name
    lot: str = Field(default="", max_length=60)
    same_as_last: bool = Field(default=False, description="Place the probes of this product's last lot again.")
    at: At | None = Field(default=None, description="When it happened, if earlier than now; the entry then shows when it was written.")


class EnterStep(BaseModel):
    """The step that the lot enters."""

    model_config = example(step="cook")
    step: Name
    at: At | None = None


class Placement(BaseModel):
    """A probe put in (`reason` absent) or taken out (`reason` moved, slipped, failed or done)."""

    model_config = example(probe="core-1", reason="moved")
    probe: Name
    reason: str | None = Field(default=None, max_length=20)
    at: At | None = None


class Measure(BaseModel):
    """A measured value of the lot."""

    model_config = example(name="pH", value="5.2")
    name: Name
    value: Annotated[str, Field(max_length=80)] | float
    at: At | None = None


class Check(BaseModel):
    """A temperature taken by hand, with its unit."""

    model_config = example(place="core", value="33.5 °F")
    place: Name
    value: Name
    at: At | None = None


class When(BaseModel):
    """An entry that needs no more than its time."""

    model_config = example(at="2026-03-02T21:40:00-06:00")
    at: At | None = None


class Undo(BaseModel):
    """The instant of the entry to take back, as GET /lots/{lot} gives it."""

    model_config = example(at="2026-03-02T19:04:10Z")
    at: At


class Acknowledge(BaseModel):
    """An acknowledgement; the comment may stay blank."""

    model_config = example(comment="Going there now.")
    comment: Words = ""


class Shelve(BaseModel):
    """How long an alarm may be silent, and why."""

    model_config = example(minutes=30, reason="Defrost of cooler-1.")
    minutes: int = Field(ge=1, le=7 * 24 * 60)
    reason: Annotated[str, Field(min_length=1, max_length=2000)]


class OutOfService(BaseModel):
    """Why an alarm is out of service."""

    model_config = example(reason="The evaporator of cooler-1 is being changed.")
    reason: Annotated[str, Field(min_length=1, max_length=2000)]


class OpenDeviation(BaseModel):
    """What was found that the plan does not foresee."""

    model_config = example(lot="J-0412", text="A rack was found on the floor of the cooler.")
    text: Annotated[str, Field(min_length=1, max_length=4000)]
    lot: str = Field(default="", max_length=60)
    at: At | None = None


class Action(BaseModel):
    """One action taken: in words, or by the number (from 1) of an action that the plan names for this limit."""

    model_config = example(text="Moved all racks to cooler-2 and spread them.")
    text: Words = ""
    planned: int | None = Field(default=None, ge=1, le=99)
    at: At | None = None


class Close(BaseModel):
    """The answers that 9 CFR 417.3 asks for; what is missing is told, one sentence each."""

    model_config = example(
        cause="The rack stood on the counter for two hours.",
        removed="Rack brought to cooler-1.",
        restored="Cooling went on in cooler-1.",
        reading="core-1 read 39.2 °F at 02:10.",
        prevention="A timer hangs at the counter.",
        disposition="destroyed",
        quantity="18 kg",
        reason="The cooling limit was not met.",
    )
    cause: Words = ""
    removed: Words = ""
    restored: Words = ""
    reading: Words = ""
    prevention: Words = ""
    disposition: Words = ""
    quantity: Words = ""
    reason: Words = ""
    acceptability: Words = ""
    reassessment: Words = ""
    trained: Words = ""


class CloseTogether(Close):
    """The answers, the same for several records of one cause."""

    model_config = example(
        deviations=["D3", "D4"],
        cause="The door of cooler-1 stood open.",
        removed="Door closed, latch mended.",
        restored="Both lots moved to cooler-2.",
        reading="core-1 read 39.2 °F and core-2 38.9 °F at 02:10.",
        prevention="The latch is looked at each evening.",
        disposition="destroyed",
        quantity="36 kg",
        reason="The cooling limit was not met.",
    )
    deviations: list[str] = Field(min_length=1, max_length=50)


class SecondWord(BaseModel):
    """The second person's word on an answered record; not agreed needs the reason."""

    model_config = example(agreed=True, comment="Looked at the product and the record.")
    agreed: bool
    comment: Words = ""


class Calibration(BaseModel):
    """A check of a probe: what it showed as found, what was right, and what was done about it.

    `reference` may be left out for the ice point and the boiling point, which are worked out (from `pressure`, the station's and not the
    one reduced to sea level, or from `altitude`, the site's where none is given). `correct` takes the error found off from then on;
    `offset` states the whole correction instead; `since` says from when.
    """

    model_config = example(probe="core-1", method="ice-point", indicated="32.4 °F", correct=True, comment="Crushed ice, stirred.")
    probe: Name
    method: Name
    indicated: Temperature
    reference: Temperature | None = None
    reference_name: str = Field(default="", max_length=200, description="Which reference thermometer, and its certificate.")
    pressure: str | None = Field(default=None, max_length=40, examples=["97.7 kPa"])
    altitude: str | None = Field(default=None, max_length=40, examples=["180 m"])
    as_left: Temperature | None = None
    offset: Difference | None = None
    correct: bool = False
    since: At | None = None
    comment: Words = ""
    at: At | None = None

    def check(self) -> ProbeCheck:
        """The check as the desk takes it."""
        pressure = None if self.pressure is None else parse_pressure(self.pressure)
        altitude = None if self.altitude is None else parse_height(self.altitude)
        return ProbeCheck(
            self.probe, self.method, self.indicated, self.reference, self.reference_name, pressure, altitude, self.as_left, self.offset,
            self.since, self.correct, self.at, self.comment,
        )  # fmt: skip


class Recall(BaseModel):
    """Which probe is recalled, and by which check (its newest one beyond tolerance where none is named)."""

    model_config = example(probe="core-1", check=12)
    probe: Name
    check: int | None = Field(default=None, ge=1)


class Review(BaseModel):
    """The pre-shipment review's words."""

    model_config = example(comment="Read through all three lots.")
    comment: Words = ""


class SignIn(BaseModel):
    """Name and PIN or password; with `code`, the secret is set first (invitation, or the code printed at first start)."""

    model_config = example(name="Odile Marsh", secret="…")
    name: Name
    secret: Annotated[str, Field(min_length=1, max_length=200)]
    code: str = Field(default="", max_length=40)


class Rejudge(BaseModel):
    """What came more than 48 h late is to be judged, from `since` on."""

    model_config = example(since="2026-03-01T00:00:00-06:00", reason="The gateway of house 1 was found unplugged; it had kept these.")
    since: At
    reason: Words


class SetClock(BaseModel):
    """What time it is now, by a watch."""

    model_config = example(at="2026-12-01T09:30")
    at: str = Field(max_length=40, description="Local time of the site, or ISO 8601 with its offset.")


class Receipt(BaseModel):
    """What was received for a lot. Not accepted needs the note, which says why it was sent back or set aside."""

    model_config = example(
        material="venison trim", supplier="Hollin Bank Game", supplier_lot="HB-77", temperature="36 °F", weight_kg="42.5",
    )  # fmt: skip
    material: Annotated[str, Field(min_length=1, max_length=200)]
    supplier: Annotated[str, Field(min_length=1, max_length=200)]
    supplier_lot: Annotated[str, Field(min_length=1, max_length=200, description="The lot on the supplier's label.")]
    temperature: Name = Field(description="As measured when it came, with its unit.")
    weight_kg: Annotated[str, Field(max_length=20)] | float = Field(description="Kilograms, to a gram at most.")
    accepted: bool = True
    note: Words = ""
    at: At | None = Field(default=None, description="When it came, if earlier than now.")


class Withdraw(BaseModel):
    """What was wrong with the receipt."""

    model_config = example(reason="The weight is that of another delivery.")
    reason: Annotated[str, Field(min_length=1, max_length=2000)]


class Release(BaseModel):
    """The words of a release; where product was destroyed, returned or diverted they have to say what is left."""

    model_config = example(comment="Records read through.")
    comment: Words = ""
