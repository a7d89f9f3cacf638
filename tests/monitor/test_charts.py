"""Charts: what must be visible, without colour, on a phone, however many readings there are."""

from __future__ import annotations

import dataclasses
import random
import re
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import pytest

from monitor.charts.ahead import ahead_of
from monitor.charts.curve import Curve, Point
from monitor.charts.drawing import Label
from monitor.charts.layout import CoolingBox, LimitLine, Moment, StepBand, lot_chart_svg, lot_drawing, time_ticks
from monitor.charts.lot_chart import LotPicture, advanced, lot_chart
from rules.limits.spec import Ceiling, Cooling, HoldLethality, Humidity, Row, Window
from rules.plan import Limit, Plan, Probe, Product, Room, Site, Step
from rules.quantity import fahrenheit, format_instant, parse_instant
from rules.reading import HOUR, MINUTE, SECOND, LotEvent, Reading

ZONE = ZoneInfo("America/Chicago")
START = parse_instant("2026-03-02T06:00:00-06:00")
NAME = "{http://www.w3.org/2000/svg}"


def curve(name: str = "core-1", hours: int = 2, every: int = 60, celsius: float = 3.0) -> Curve:
    made = Curve(name, START, START + hours * HOUR, max_gap=15 * MINUTE)
    return made.extend(Point(START + s * SECOND, celsius + (s % 600) / 300) for s in range(0, hours * 3600 + 1, every))


def test_number_of_points_is_bounded_and_extremes_stay() -> None:
    """A day at 1 Hz leaves a few points a column, and the least and greatest reading of every column among them."""
    random.seed(3)
    made = Curve("core-1", START, START + 24 * HOUR, columns=100)
    rows = [Point(START + s * SECOND, random.gauss(20, 5)) for s in range(0, 86400)]
    made.extend(rows)
    drawn = [p for line in made.lines for p in line]
    assert len(drawn) <= 4 * 100
    width = 864
    for column in range(0, 100):
        part = rows[column * width : (column + 1) * width]
        assert min(part, key=lambda p: p.celsius) in drawn
        assert max(part, key=lambda p: p.celsius) in drawn
    assert made.count == 86400


def test_points_stay_bounded_however_often_the_probe_drops_out() -> None:
    """A flapping probe breaks the line, but cannot make the picture grow without bound."""
    made = Curve("core-1", START, START + 240 * HOUR, max_gap=2 * MINUTE, columns=50)
    made.extend(Point(START + s * 3 * MINUTE, 4.0) for s in range(0, 4800))
    assert sum(len(line) for line in made.lines) <= 4 * 50
    assert len(made.gaps) == 4799


def test_gap_breaks_the_line() -> None:
    """Where nothing was measured no line is drawn."""
    made = Curve("core-1", START, START + 4 * HOUR, max_gap=15 * MINUTE)
    made.extend(Point(START + m * MINUTE, 4.0) for m in range(0, 240) if not 60 < m < 120)
    assert [(line[0].at, line[-1].at) for line in made.lines] == [
        (START, START + 60 * MINUTE),
        (START + 120 * MINUTE, START + 239 * MINUTE),
    ]
    assert [(g.begins, g.ends) for g in made.gaps] == [(START + 60 * MINUTE, START + 120 * MINUTE)]


def test_interval_of_exactly_the_longest_gap_is_no_gap() -> None:
    """An interval as long as the monitoring frequency is still covered (judging: longer than max_gap)."""
    made = Curve("core-1", START, START + HOUR, max_gap=15 * MINUTE)
    made.extend([Point(START, 4.0), Point(START + 15 * MINUTE, 4.0)])
    assert made.gaps == []
    assert len(made.lines) == 1


def test_suspect_reading_is_marked_and_never_part_of_the_line() -> None:
    """A reading judged as if absent stands beside the curve as a sign of its own."""
    made = curve()
    made.add(START + 2 * HOUR, 85.0, suspect=True)
    assert made.greatest is not None
    assert made.greatest.celsius < 10
    assert made.suspect_points == [Point(START + 2 * HOUR, 85.0)]
    assert "suspect, not judged" in lot_chart_svg([made], [], [], ZONE, "F")


def test_falling_time_is_refused() -> None:
    """Out of order, gaps would be invented: the caller sorts."""
    made = curve()
    with pytest.raises(ValueError, match="must rise in time"):
        made.add(START, 3.0)


def test_chart_is_well_formed_and_has_words() -> None:
    """The SVG parses, names itself and says in sentences what it shows; it carries no script."""
    text = lot_chart_svg([curve()], [LimitLine("at most 34 °F", 1.1, "most")], [StepBand("grind", START, START + HOUR)], ZONE, "F")
    root = ElementTree.fromstring(text)
    assert root.find(f"{NAME}title") is not None
    words = root.findtext(f"{NAME}desc") or ""
    assert "core-1: 121 readings, lowest 37.4 °F at 02 Mar 06:00" in words
    assert "Limit: at most 34 °F." in words
    assert root.get("role") == "img"
    assert "<script" not in text
    assert re.search(r"\bon\w+=|href", text) is None


def test_names_cannot_break_out_of_the_picture() -> None:
    """A probe or lot may be called anything; the picture stays well formed."""
    made = Curve('<b>&"\x07', START, START + HOUR)
    made.add(START, 4.0)
    root = ElementTree.fromstring(lot_chart_svg([made], [], [], ZONE, "C", title="</svg><script>"))
    assert root.findtext(f"{NAME}title") == "</svg><script>"
    assert all(e.tag != f"{NAME}script" for e in root.iter())


def test_curves_differ_without_colour() -> None:
    """Each curve has a letter and a dash pattern of its own."""
    text = lot_chart_svg([curve("core-1"), curve("core-2", celsius=5), curve("core-3", celsius=7)], [], [], ZONE, "C")
    lines = [e for e in ElementTree.fromstring(text).iter(f"{NAME}polyline") if len((e.get("points") or "").split()) > 20]
    assert len({e.get("stroke-dasharray") for e in lines}) == 3
    labels = [e.text for e in ElementTree.fromstring(text).iter(f"{NAME}text")]
    assert {"A core-1", "B core-2", "C core-3"} <= set(labels)


def test_everything_lies_within_a_phone() -> None:
    """At 360 px no text begins outside or runs far beyond the picture, and letters are at least 9 px (gap letters 7)."""
    long = [LimitLine("at least 145 °F held for 4 min, or a hotter row of the table for its shorter time (lethality)", 62.8, "least")]
    steps = [StepBand(f"step {i}", START + i * 10 * MINUTE, START + (i + 1) * 10 * MINUTE) for i in range(12)]
    drawing = lot_drawing([curve()], long, [*steps, Moment("deviated", START + HOUR)], ZONE, "F", 360, 300)
    for label in (s for s in drawing.shapes if isinstance(s, Label)):
        assert label.size >= 7
        assert 0 <= label.x <= 360
        assert label.y <= drawing.height
        if label.anchor == "start" and label.y > 300:
            assert label.x + len(label.text) * label.size * 0.5 <= 362


def test_cooling_window_is_a_box_to_leave_through_its_floor() -> None:
    """The box spans start to deadline in time and from-temperature to target."""
    window = CoolingBox("130 °F to 80 °F within 1 h", START, START + HOUR, fahrenheit(130), fahrenheit(80))
    text = lot_chart_svg([curve(hours=4)], [window], [], ZONE, "F")
    rects = [e for e in ElementTree.fromstring(text).iter(f"{NAME}rect") if e.get("stroke-dasharray") == "3 2"]
    assert len(rects) == 1
    assert float(rects[0].get("width") or 0) == pytest.approx((360 - 16 - 36) / 4, abs=0.2)


@pytest.mark.parametrize(
    ("day", "hours", "expected"),
    [("2026-03-08", 23, ["00:00", "01:00", "03:00", "04:00"]), ("2026-11-01", 25, ["00:00", "01:00", "01:00", "02:00"])],
)
def test_ticks_follow_the_local_clock_over_its_changes(day: str, hours: int, expected: list[str]) -> None:
    """Days of 23 and 25 hours have the hours that the clock on the wall had (America/Chicago, 2026)."""
    begins = parse_instant(f"{day}T00:00:00{'-06:00' if hours == 23 else '-05:00'}")
    ticks = time_ticks(begins, begins + hours * HOUR, ZONE, 30)
    assert [clock for _, clock, _ in ticks[:4]] == expected
    assert len(ticks) == hours + 1


@pytest.mark.parametrize("hours", [1, 6, 24, 72, 24 * 14, 24 * 60])
def test_ticks_are_few(hours: int) -> None:
    """However long the lot, the time axis stays readable."""
    assert 1 <= len(time_ticks(START, START + hours * HOUR, ZONE, 7)) <= 9


def plan() -> Plan:
    rows = (Row(fahrenheit(140), 12 * MINUTE), Row(fahrenheit(145), 4 * MINUTE))
    cook = Step("cook", "house-1", (Limit("lethality", HoldLethality(rows), "core", 2 * MINUTE),))
    windows = (Window(fahrenheit(80), within=90 * MINUTE), Window(fahrenheit(40), within=5 * HOUR))
    chill = Step("chill", "cooler-1", (Limit("stabilization", Cooling(fahrenheit(130), windows), "core", 30 * MINUTE),))
    grind = Step("grind", "cutting", (Limit("grind cold", Ceiling(fahrenheit(34)), "core", 15 * MINUTE, critical=False),))
    probes = (Probe("core-1", "core"), Probe("air-1", "chamber", "house-1"), Probe("air-2", "cooler", "cooler-1"))
    rooms = (Room("house-1", "chamber"), Room("cooler-1", "cooler"), Room("cutting", "work"))
    return Plan(
        Site("ferncliff", "Ferncliff Yard Smokehouse", "America/Chicago", "F"),
        (Product("j", "Links", (grind, cook, chill)),),
        rooms,
        probes,
    )


EVENTS = [
    LotEvent(START, "start", "J-1", "j"),
    LotEvent(START, "place", "J-1", "core-1"),
    LotEvent(START + HOUR, "step", "J-1", "cook"),
    LotEvent(START + 3 * HOUR, "step", "J-1", "chill"),
    LotEvent(START + 4 * HOUR, "end", "J-1"),
    LotEvent(START, "start", "other", "j"),
]


def test_lot_chart_draws_fixed_probes_only_in_their_room() -> None:
    """The chamber's air belongs to the cook, the cooler's to the chill."""
    picture = LotPicture({"lot": "J-1", "product": "j", "limits": []}, plan(), EVENTS, until=START + 9 * HOUR)
    for m in range(0, 300):
        for probe in ("air-1", "air-2", "core-1", "stranger"):
            picture.add(Reading(probe, START + m * MINUTE, 20.0))
    spans = {name: (c.lines[0][0].at - START, c.last.at - START if c.last else 0) for name, c in picture.curves.items()}
    assert spans == {"core-1": (0, 4 * HOUR), "air-1": (HOUR, 3 * HOUR), "air-2": (3 * HOUR, 4 * HOUR)}


def test_lot_chart_shows_the_offset_and_what_was_late() -> None:
    """Temperatures carry their calibration offset; a reading that arrived long after its time is ringed."""
    picture = LotPicture({"lot": "J-1", "product": "j"}, plan(), EVENTS, until=START + 9 * HOUR)
    picture.add(Reading("core-1", START, 10.0, -1.5), START + SECOND)
    picture.add(Reading("core-1", START + MINUTE, 10.0, -1.5), START + 2 * HOUR)
    assert picture.curves["core-1"].least == Point(START, 8.5)
    assert picture.curves["core-1"].late_points == [Point(START + MINUTE, 8.5)]


def test_event_taken_back_is_not_drawn() -> None:
    """A step that was undone is no band."""
    events = [*EVENTS, LotEvent(START + 5 * HOUR, "undo", "J-1", "", "2026-03-02T09:00:00-06:00")]
    picture = LotPicture({"lot": "J-1", "product": "j"}, plan(), events, until=START + 9 * HOUR)
    assert [s.name for s in picture.steps] == ["grind", "cook"]


def test_step_entered_by_itself_is_drawn() -> None:
    """A night nobody attends: the finding that the lot advanced gives its band."""
    own = advanced(
        [{"what": "advanced", "lot": "J-1", "step": "chill", "at": "2026-03-02T14:00:00Z"}, {"what": "met", "lot": "J-1", "at": 0}]
    )
    picture = LotPicture({"lot": "J-1", "product": "j"}, plan(), [*EVENTS[:3], *own], until=START + 9 * HOUR)
    assert [(s.name, (s.begins - START) // HOUR) for s in picture.steps] == [("grind", 0), ("cook", 1), ("chill", 2)]


def test_straddled_step_runs_beside_the_old_one() -> None:
    """Until a person confirms, both steps are judged and both are shown."""
    prompt = {"at": "2026-03-02T15:00:00Z", "from": "cook", "to": "chill"}
    report = {"lot": "J-1", "product": "j", "steps": ["cook", "chill"], "prompt": prompt}
    picture = LotPicture(report, plan(), EVENTS[:3], until=START + 9 * HOUR)
    assert [(s.name, s.ends - START) for s in picture.steps[1:]] == [("cook", 9 * HOUR), ("chill", 9 * HOUR)]


def test_cooling_boxes_come_from_the_watch_that_decides() -> None:
    """With two probes the boxes are those of the worse one, from its own clock."""

    def watch(probe: str, verdict: str, clock: str) -> dict[str, object]:
        windows = [
            {"to_c": 26.667, "mark_at": None, "deadline_at": clock.replace("T15", "T16")},
            {"to_c": 4.444, "mark_at": None, "deadline_at": None},
        ]
        return {"probe": probe, "verdict": verdict, "at": "2026-03-02T16:10:00Z", "evidence": {"clock_at": clock, "windows": windows}}

    judged = {
        "step": "chill", "limit": "stabilization",
        "watches": [watch("core-1", "met", "2026-03-02T15:10:00Z"), watch("core-2", "deviated", "2026-03-02T15:20:00Z")],
    }  # fmt: skip
    report = {"lot": "J-1", "product": "j", "limits": [judged]}
    text = lot_chart(report, plan(), [Reading("core-1", START + m * MINUTE, 50.0) for m in range(240)], events=EVENTS)
    words = ElementTree.fromstring(text).findtext(f"{NAME}desc") or ""
    assert "130 °F to 80 °F within 1 h (stabilization, core-2)" in words
    assert "stabilization deviated 10:10" in text


def test_lethality_line_is_the_row_that_was_met() -> None:
    """Of a table of rows the one that decided is drawn."""
    evidence = {"met_row": {"at_c": 62.778, "needed_s": 240}, "rows": []}
    judged = {"step": "cook", "limit": "lethality", "watches": [{"probe": "core-1", "verdict": "met", "at": None, "evidence": evidence}]}
    text = lot_chart({"lot": "J-1", "product": "j", "limits": [judged]}, plan(), [Reading("core-1", START, 50.0)], events=EVENTS)
    assert "at least 145 °F held for 4 min (lethality)" in text


def test_lot_without_any_reading_still_has_a_chart() -> None:
    """Nothing measured is something to show."""
    text = lot_chart({"lot": "J-1", "product": "j", "limits": []}, plan(), [], events=EVENTS)
    assert "core-1: no reading." in (ElementTree.fromstring(text).findtext(f"{NAME}desc") or "")


def test_leaving_a_room_and_coming_back_is_no_gap() -> None:
    """A room's probe that did not serve the lot meanwhile was not silent; its curve is broken, not barred."""
    curve = Curve("cooler-air", 0, 10 * HOUR, max_gap=30 * MINUTE)
    curve.add(0, 3.0)
    curve.add(10 * MINUTE, 3.0)
    curve.lift()
    curve.add(5 * HOUR, 3.5)
    curve.add(5 * HOUR + 10 * MINUTE, 3.5)
    curve.add(7 * HOUR, 3.5)
    assert [(gap.begins, gap.ends) for gap in curve.gaps] == [(5 * HOUR + 10 * MINUTE, 7 * HOUR)]


def test_humidity_has_a_scale_of_its_own() -> None:
    """Per cent are drawn from 0 at the bottom to 100 at the top, beside the temperatures, and told as per cent."""
    air = Curve("rh-1", START, START + 2 * HOUR, percent=True).extend(Point(START + m * MINUTE, 40.0 + m / 2) for m in range(0, 121, 10))
    limits = [
        LimitLine("at least 62.8 °C (lethality)", 62.8, "least"),
        LimitLine("at least 90 % relative humidity (humidity)", 90.0, "least", percent=True),
    ]
    drawn = lot_drawing([curve("core-1", celsius=55.0), air], limits, [], ZONE, "F")
    texts = [shape.text for shape in drawn.shapes if isinstance(shape, Label)]
    assert [text for text in texts if text in ("0", "25", "50", "75", "% RH")] == ["0", "25", "50", "75", "% RH"]
    assert "rh-1: 13 readings, lowest 40 % relative humidity at 02 Mar 06:00, highest 100 % relative humidity" in drawn.desc
    alone = lot_drawing([curve("core-1", celsius=55.0)], limits[:1], [], ZONE, "F")
    scale = [text for text in texts if re.fullmatch(r"1[0-9]0", text)]
    assert scale == [t for t in (s.text for s in alone.shapes if isinstance(s, Label)) if re.fullmatch(r"1[0-9]0", t)], "°F as without it"


def test_lot_chart_shows_humidity_against_its_limit() -> None:
    """A humidity probe of the lot's room is a curve of the lot's chart, and the limit on it a line at its per cent."""
    base = plan()
    cook = base.products[0].steps[1]
    limit = Limit("wet enough", Humidity(min_rh=90.0, share=0.5, at_least=HOUR), "humidity", 15 * MINUTE, source="invented for this test")
    steps = (base.products[0].steps[0], dataclasses.replace(cook, limits=(*cook.limits, limit)), *base.products[0].steps[2:])
    known = Plan(
        base.site, (Product("j", "Links", steps),), base.rooms, (*base.probes, Probe("rh-1", "humidity", room=cook.room, uncertainty_c=2.0))
    )
    judged = {"step": "cook", "limit": "wet enough", "class": "critical", "verdict": "open", "watches": []}
    rows = [Reading("rh-1", START + m * MINUTE, 85.0 + m / 20) for m in range(60, 180)]
    text = lot_chart({"lot": "J-1", "product": "j", "limits": [judged]}, known, rows, events=EVENTS)
    assert "rh-1: 120 readings, lowest 88 % relative humidity" in text
    assert "at least 90 % relative humidity for 50 % of the cook and 1 h (wet enough)" in text
    dry = lot_chart({"lot": "J-1", "product": "j", "limits": [judged]}, base, rows, events=EVENTS)
    assert "% relative humidity" not in dry


def test_forecast_goes_on_from_the_last_reading_to_its_mark() -> None:
    """A faint dotted line leads from the last reading to the mark, bends as cooling does, and the key says that it was not measured."""
    made = Curve("core-1", START, START + 4 * HOUR).extend(Point(START + m * MINUTE, 60.0 - m / 8) for m in range(0, 241))
    told = [{"probe": "core-1", "to_c": 20.0, "air_c": 2.0, "expected": format_instant(START + 5 * HOUR)}]
    points = ahead_of(made, told)
    assert points[0] == Point(START + 4 * HOUR, 30.0)
    assert points[-1].at == START + 5 * HOUR
    assert points[-1].celsius == pytest.approx(20.0)
    assert points[12].celsius < 25.0, "faster at first"
    drawn = lot_drawing([made], [], [], ZONE, "C", ahead={"core-1": points})
    assert "expected, not measured" in [s.text for s in drawn.shapes if isinstance(s, Label)]
    assert "expected, not measured" not in [s.text for s in lot_drawing([made], [], [], ZONE, "C").shapes if isinstance(s, Label)]


def test_forecast_that_cannot_be_is_not_drawn() -> None:
    """A mark behind, or surroundings that would never lead to it, draw nothing; one far off is cut at half of what was."""
    made = Curve("core-1", START, START + 4 * HOUR).extend(Point(START + m * MINUTE, 60.0 - m / 8) for m in range(0, 241))
    one = {"probe": "core-1", "to_c": 20.0, "air_c": 2.0, "expected": format_instant(START + 20 * HOUR)}
    assert ahead_of(made, [one])[-1].at == START + 6 * HOUR
    assert ahead_of(made, [one | {"expected": format_instant(START + HOUR)}]) == []
    assert ahead_of(made, [one | {"air_c": 25.0}]) == []
    assert ahead_of(made, [one | {"probe": "core-2"}]) == []
