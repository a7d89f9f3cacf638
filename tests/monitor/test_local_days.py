"""Local days of 23 and of 25 hours, on a service that lives through them: standing limits, the day's page, export, morning message."""

import json
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import select

from monitor.alarms.tables import outbox
from monitor.config import AlarmsConfig, BellConfig, Config, Person, Rung, Server, StoreConfig
from monitor.days import day_of, day_span
from monitor.export.day import export_day
from monitor.exporter import EXPORT_AFTER
from monitor.service import Service
from probes.csv_replay import read_csv_file
from rules.quantity import format_instant, local, parse_instant
from rules.reading import HOUR, MINUTE, SECOND, Instant, Reading
from tests.ferncliff import COOLER, GRIND, ODILE, SITE

#: The cooler's air is allowed to be too warm for so long; a lot is ground beside it.
PLAN = (
    SITE
    + COOLER.replace('room = "cooler-1"\n[[standing]]', 'room = "cooler-1"\nuncertainty = "0 °F"\n[[standing]]').replace(
        'max = "40 °F"', 'max = "40 °F"\nallowed = "90 min"'
    )
    + GRIND
)
#: The day, its hours, its midnights as they were on the wall (America/Chicago, 2026).
CHANGES = [
    ("2026-03-08", 23, "2026-03-08T00:00:00-06:00", "2026-03-09T00:00:00-05:00"),
    ("2026-11-01", 25, "2026-11-01T00:00:00-05:00", "2026-11-02T00:00:00-06:00"),
]


class Place:
    """A service whose clock the test holds."""

    def __init__(self, folder: Path, begin: Instant) -> None:
        (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
        bells = (BellConfig("odile-phone", url="json://127.0.0.1:9/"),)
        config = Config(
            folder / "larderer.toml", folder / "plan.toml", folder / "data", Server(port=0), bells=bells,
            persons=(Person("Odile Marsh", "operator", bells=("odile-phone",)),), escalation=(Rung(0, persons=("Odile Marsh",)),),
            alarms=AlarmsConfig(all_well=7 * 60), store=StoreConfig(spare_mb=0, copy_every=0),
        )  # fmt: skip
        self.now, self.sent = begin, list[Instant]()
        self.service = Service(config, clock=lambda: self.now, drivers=(), tick_s=3600.0, exports=False)
        self.service.start()
        self.zone = self.service.plan.site.zone

    def until(self, end: Instant, hot: tuple[Instant, Instant] = (0, 0)) -> None:
        """Time goes on to `end`, a reading each quarter of an hour; the cooler is too warm in between (both ends included)."""
        while self.now < end:
            self.now = min(self.now + 15 * MINUTE, end)
            warm = hot[0] <= self.now <= hot[1]
            self.sent.append(self.now)
            self.service.intake.readings([Reading("cooler-air", self.now, 10.0 if warm else 2.0)]).result(10)
            now = self.now
            self.service.writer.submit(lambda conn, now=now: self.service.pipeline.tick(conn, now)).result(10)  # type: ignore[misc]

    def standing(self) -> dict[str, str]:
        return {one["day"]: one["verdict"] for one in self.service.pipeline.report()["standing"]}

    def mornings(self) -> list[str]:
        """When each morning message was made, as a clock on the wall showed it."""
        with self.service.store.read() as conn:
            rows = conn.execute(select(outbox.c.created_at).where(outbox.c.kind == "well").order_by(outbox.c.id)).scalars()
            return [f"{local(at, self.zone):%Y-%m-%dT%H:%M%z}" for at in rows]


@pytest.fixture
def place(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Place]:
    """From the evening before the midnight at which the day of the test begins."""
    found = Place(tmp_path, parse_instant(request.getfixturevalue("begins")) - 4 * HOUR)
    yield found
    found.service.close()


@pytest.mark.parametrize(("day", "hours", "begins", "ends"), CHANGES)
def test_standing_limit_counts_each_reading_to_the_day_on_the_wall(place: Place, day: str, hours: int, begins: str, ends: str) -> None:
    """90 min are allowed: an hour too warm on either side of each of its midnights is no day's; two hours within the next day are."""
    since, until = parse_instant(begins), parse_instant(ends)
    assert until - since == hours * HOUR
    place.until(until - 2 * HOUR, hot=(since - HOUR, since + HOUR))
    place.until(until + 2 * HOUR, hot=(until - HOUR, until + HOUR))
    place.until(until + 24 * HOUR, hot=(until + 22 * HOUR, until + 24 * HOUR))
    place.until(until + 25 * HOUR)
    verdicts = place.standing()
    before, after = (f"{date.fromisoformat(day) + timedelta(days=n)}" for n in (-1, 1))
    assert [verdicts[one] for one in (before, day, after)] == ["met", "met", "deviated"]


@pytest.mark.parametrize(("day", "hours", "begins", "ends"), CHANGES)
def test_morning_message_comes_at_seven_by_the_wall_once_a_day(place: Place, day: str, hours: int, begins: str, ends: str) -> None:
    """Whether the night had an hour less or one more."""
    place.until(parse_instant(ends) + 12 * HOUR)
    offset = "-0500" if hours == 23 else "-0600"
    assert place.mornings() == [f"{day}T07:00{offset}", f"{date.fromisoformat(day) + timedelta(days=1)}T07:00{offset}"]


@pytest.mark.parametrize(("day", "hours", "begins", "ends"), CHANGES)
def test_day_page_and_export_hold_exactly_that_day(place: Place, tmp_path: Path, day: str, hours: int, begins: str, ends: str) -> None:
    """Its lots, its records and its readings, from midnight to midnight; and the export is owed five minutes after that midnight."""
    since, until = parse_instant(begins), parse_instant(ends)
    desk = place.service.desk
    for name, at in (("J-0", since - MINUTE), ("J-1", since + 10 * MINUTE), ("J-2", until - 10 * MINUTE), ("J-3", until + 10 * MINUTE)):
        place.until(at)
        place.now = at
        desk.start_lot(ODILE, "juniper-links", lot=name)
        place.now += SECOND
        desk.end(ODILE, name)
    place.until(until + 20 * MINUTE)
    shown = desk.day(day)
    assert (shown["begins"], shown["ends"]) == (format_instant(since), format_instant(until))
    assert sorted(lot["lot"] for lot in shown["lots"]) == ["J-1", "J-2"]
    assert [day in place.service.exporter.owed(until + EXPORT_AFTER + n) for n in (-1, 0)] == [False, True]
    service = place.service
    folder = export_day(service.store, day, tmp_path / "out", service.key, now=place.now, live=service.judging.report()).path
    manifest = json.loads((folder / "manifest.json").read_text())
    assert (manifest["begins"], manifest["ends"], manifest["problems"]) == (format_instant(since), format_instant(until), [])
    found = [one.at for one in read_csv_file(folder / "readings.csv")]
    assert [at for at in found if at > since] == [at for at in place.sent if since < at <= until], "what is before is the lots' lead"
    lots: list[dict[str, Any]] = json.loads((folder / "lots.json").read_text())["lots"]
    assert sorted(lot["lot"] for lot in lots) == ["J-1", "J-2"]


@pytest.mark.parametrize(
    "name", ["America/Chicago", "Europe/Dublin", "America/Havana", "Africa/Cairo", "Asia/Beirut", "Australia/Lord_Howe", "Atlantic/Azores"]
)
def test_days_of_every_zone_follow_one_another_without_gap_or_overlap(name: str) -> None:
    """Over two years: also where the clocks change at midnight itself, or by half an hour."""
    zone, day = ZoneInfo(name), date(2026, 1, 1)
    end = day_span(day.isoformat(), zone)[0]
    lengths: set[float] = set()
    while day < date(2028, 1, 1):
        since, until = day_span(day.isoformat(), zone)
        assert since == end, f"{day} begins where the day before ends"
        for at in (since + 1, since + HOUR, (since + until) // 2, until - HOUR, until):
            assert day_of(at, zone) == day.isoformat()
        lengths.add((until - since) / HOUR)
        end, day = until, day + timedelta(days=1)
    assert lengths == ({23.5, 24.0, 24.5} if name == "Australia/Lord_Howe" else {23.0, 24.0, 25.0})
