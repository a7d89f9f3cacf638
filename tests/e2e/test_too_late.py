"""What came more than 48 h late: kept, listed, judged by nobody, exported apart, until a person asks; then it counts everywhere."""

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest

from monitor import people
from monitor.commands.rejudge import SECRET, rejudge
from monitor.desk import Hand
from monitor.errors import RefusedError
from monitor.export.check import check_path
from monitor.judge import judge_files
from rules.quantity import format_instant, parse_instant
from rules.reading import HOUR, MINUTE, LotEvent, Reading

EVENING = parse_instant("2026-03-02T19:00:00-06:00")
FORM = "X-Form-Token"


@pytest.fixture
def site(plant: Callable[..., Any], cook_plan: str, night: list[Reading]) -> Any:
    """A lot of three days ago, with its page; what a gateway kept of it comes now."""
    site = plant(cook_plan, start=EVENING).up(page=True)
    site.act(LotEvent(EVENING, "start", "J-0412", "juniper-links"))
    site.act(LotEvent(EVENING, "place", "J-0412", "core-1"))
    site.hand_over([r for r in night if (minute := (r.at - EVENING) / MINUTE) <= 190 or 309 < minute <= 330])
    site.service.desk.end(Hand("Odile Marsh", "operator"), "J-0412")
    site.clock.move(EVENING + 72 * HOUR)
    site.hand_over([Reading("core-1", EVENING + 72 * HOUR, 4.0)])
    site.tick()
    return site


def kept(night: list[Reading]) -> list[Reading]:
    return [r for r in night if 190 < (r.at - EVENING) / MINUTE <= 309]


def exported(site: Any, day: str) -> Path:
    """The day's export; judged again from its own files, it says the same, and it verifies."""
    path = Path(site.service.export_day(day))
    again = judge_files(path / "plan.toml", path / "readings.csv", path / "events.csv")
    assert json.loads((path / "lots.json").read_text(encoding="utf-8")) == json.loads(json.dumps(again))
    assert check_path(path, None, None).wrong == []
    assert json.loads((path / "manifest.json").read_text(encoding="utf-8"))["problems"] == []
    return path


def stabilization(site: Any) -> str:
    return str(next(one for one in site.report()["lots"][0]["limits"] if one["limit"] == "stabilization")["verdict"])


def let_in(site: Any, name: str) -> None:
    site.service.writer.submit(lambda conn: people.set_secret(conn, name, "juniper-9", site.clock())).result(30)


@contextmanager
def signed_in(site: Any, name: str) -> Iterator[httpx.Client]:
    let_in(site, name)
    with httpx.Client(base_url=site.service.url(), timeout=30.0) as client:
        answer = client.post("/api/v1/session", json={"name": name, "secret": "juniper-9"})
        assert answer.status_code == 200, answer.text
        client.headers[FORM] = answer.json()["form_token"]
        yield client


def late_ones(site: Any, night: list[Reading]) -> None:
    items = [{"probe": r.probe, "value": r.celsius, "time": format_instant(r.at)} for r in kept(night)]
    with site.device() as gateway:
        answer = gateway.post("/api/v1/readings", json=items).json()
    assert {one["outcome"] for one in answer["items"]} == {"late"}


def test_export_keeps_unjudged_readings_apart_until_a_person_asks(site: Any, night: list[Reading]) -> None:
    """unjudged.csv and the same verdicts at first; after the asking a new revision with all of them judged, and the asking on record."""
    first = exported(site, "2026-03-03")
    late_ones(site, night)
    assert stabilization(site) == "unproven"
    second = exported(site, "2026-03-03")
    assert second.name == "2026-03-03-r2"
    assert len((second / "unjudged.csv").read_text(encoding="utf-8").splitlines()) == 1 + len(kept(night))
    assert (second / "lots.json").read_bytes() == (first / "lots.json").read_bytes()
    with signed_in(site, "Odile Marsh") as person:
        listed = person.get("/api/v1/rejudgements").json()["unjudged"]
        assert [(one["probe"], one["count"]) for one in listed] == [("core-1", len(kept(night)))]
        body = {"since": format_instant(EVENING), "reason": "the gateway was found unplugged"}
        asked = person.post("/api/v1/rejudgements", json=body, headers={"Idempotency-Key": "once"})
        assert asked.status_code == 201, asked.text
        assert asked.json()["readings"] == len(kept(night))
        again = person.post("/api/v1/rejudgements", json=body, headers={"Idempotency-Key": "once"})
        assert again.json() == asked.json(), "the same request is carried out once"
    assert stabilization(site) == "deviated"
    (correction,) = [one for one in site.records("correction") if one["limit"] == "stabilization"]
    assert (correction["was"], correction["now"]) == ("unproven", "deviated")
    assert correction["why"] == "asked for by Odile Marsh: the gateway was found unplugged"
    third = exported(site, "2026-03-03")
    assert third.name == "2026-03-03-r3"
    assert not (third / "unjudged.csv").exists()
    assert (third / "lots.json").read_bytes() != (first / "lots.json").read_bytes()
    assert "rejudge-asked" in (third / "ledger.jsonl").read_text(encoding="utf-8")
    site.sound()


def test_page_lists_late_readings_and_takes_the_asking(site: Any, night: list[Reading]) -> None:
    """Where they are listed there is a plain form; a blank reason is one sentence, and nothing is lost."""
    with signed_in(site, "Tam Okafor") as person:
        assert "Nothing. What comes more than 48 h after its time" in person.get("/late").text
        late_ones(site, night)
        shown = person.get("/late").text
        assert f"{len(kept(night))} readings from" in shown
        token = person.headers[FORM]
        form = {"form_token": token, "once": "a1", "when": "2026-03-02T19:00", "reason": ""}
        refused = person.post("/late", data=form)
        assert "eason is blank" in refused.text
        assert 'value="2026-03-02T19:00"' in refused.text
        done = person.post("/late", data={**form, "reason": "found in the shed"}, follow_redirects=True)
        assert f"{len(kept(night))} readings count from now on" in done.text
    assert stabilization(site) == "deviated"


def test_command_asks_the_running_service(site: Any, night: list[Reading], monkeypatch: pytest.MonkeyPatch) -> None:
    """It signs in as the person named, and says in a sentence what became of it or why not."""
    let_in(site, "Tam Okafor")
    late_ones(site, night)
    config, url, name = site.config.path, site.service.url(), "Tam Okafor"
    monkeypatch.setenv(SECRET, "wrong-one")
    with pytest.raises(RefusedError):
        rejudge(config, format_instant(EVENING), "found in the shed", name, url)
    monkeypatch.setenv(SECRET, "juniper-9")
    with pytest.raises(RefusedError, match="waits to be judged"):
        rejudge(config, format_instant(EVENING + 20 * HOUR), "found in the shed", name, url)
    said = rejudge(config, format_instant(EVENING), "found in the shed", name, url)
    assert said.startswith(f"{len(kept(night))} readings count from now on")
    assert stabilization(site) == "deviated"
    with pytest.raises(RefusedError, match="no service answers"):
        rejudge(config, format_instant(EVENING), "found in the shed", name, "http://127.0.0.1:1")
