"""A recall from the command line, over the API, in the PDF and in the exports that follow it."""

import asyncio

import httpx
import pytest
from argon2 import PasswordHasher
from sqlalchemy import update

from monitor import people
from monitor.check_desk import ProbeCheck
from monitor.cli import main
from monitor.clock import SystemClock
from monitor.desk import Hand
from monitor.once import Key
from rules.quantity import fahrenheit
from rules.reading import SECOND

DAY, NEXT_DAY = "2026-03-02", "2026-03-03"
ODILE = Hand("Odile Marsh", "operator")
#: Raw 34 °F in melting ice: 2 °F too high, which is more than the 1 °C that is allowed.
TWO_HIGH = ProbeCheck("core-1", "ice-point", fahrenheit(34.0))


def test_commands_check_and_recall_while_no_service_runs(
    plant, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Calibrate, look, recall; the service that starts afterwards stands by it and tells nothing twice."""

    def call(*words: str) -> tuple[int, str, str]:
        monkeypatch.setattr("sys.argv", ["larderer", *words, "--config", str(plant.folder / "larderer.toml")])
        with pytest.raises(SystemExit) as ended:
            main()
        told = capsys.readouterr()
        return int(ended.value.code or 0), told.out, told.err

    plant.cook("J-1")
    capsys.readouterr()
    code, out, err = call("recall", "core-1", "--by", "Odile Marsh")
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert "record the check first" in err
    code, out, err = call("calibrate", "cooler-air", "ice-point", "--reads", "34", "--by", "Odile Marsh")
    assert (code, err.count("\n")) == (2, 1)
    assert "write a number with its unit" in err
    assert "write one of" in call("calibrate", "core-1", "ice-point", "--reads", "34 F", "--by", "Somebody")[2]
    code, out, _ = call("calibrate", "core-1", "ice-point", "--reads", "34 F", "--by", "Odile Marsh")
    assert code == 1
    assert "That is 2 °F too high" in out
    assert call("calibrate", "core-1", "ice-point", "--reads", "32.4 F", "--by", "Odile Marsh")[0] == 0

    code, out, _ = call("recall", "core-1", "--dry-run")
    assert code == 1
    assert "J-1: cook, lethality, core-1: met -> deviated" in out
    assert out.endswith("Nothing was changed.\n")
    assert plant.entries("recall") == []
    code, _, err = call("recall", "core-1", "--by", "Odile Marsh")
    assert code == 2
    assert "the service is running" in err

    plant.service.close()
    code, out, _ = call("recall", "core-1", "--by", "Odile Marsh")
    assert code == 1, out
    assert "Recall 1 of core-1 is carried out. Export these days anew: 2026-03-02." in out
    plant.now = SystemClock()() + SECOND
    plant.start()
    plant.caught_up()
    assert [(c["lot"], c["was"], c["now"]) for c in plant.entries("correction")] == [("J-1", "met", "deviated")]
    assert [one["lot"] for one in plant.desk.deviations()] == ["J-1"]
    assert plant.lots_of(plant.judged_again(plant.export().path)) == {"J-1": "deviated"}


def test_pdf_tells_of_the_recall_and_of_how_the_probes_stand(plant) -> None:
    """The new revision names the recall on its first page, both verdicts beside the probes, and what was left of each check."""
    plant.cook("J-1")
    plant.tick(24 * 60)
    plant.desk.calibrate(ODILE, ProbeCheck("core-2", "ice-point", fahrenheit(32.4)))
    plant.desk.calibrate(ODILE, TWO_HIGH)
    plant.desk.recall(ODILE, "core-1")
    plant.caught_up()
    folder = plant.export().path
    told = plant.pdf_text(folder / "day.pdf")
    assert "Recall 1: core-1 read 2 °F too high from its first reading" in told
    assert "J-1: lethality, core-1: was met, is DEVIATED." in told
    assert "NEVER CHECKED" in told, "no check was made up to the end of that day"
    plant.tick(24 * 60)
    later = plant.pdf_text(plant.export(NEXT_DAY).path / "day.pdf")
    assert "LEFT 2 °F OFF, 1.8 °F allowed" in later
    assert "good, 1.8 °F allowed; next due 2026-03-17" in later


def test_days_that_a_recall_changes_are_owed_a_new_export(plant) -> None:
    """A day exported before the recall is owed again; once it is made, nothing is."""
    plant.cook("J-1")
    plant.tick(24 * 60)
    plant.service.exporter.export(DAY)
    assert plant.service.exporter.owed(plant.now) == []
    plant.tick(60)
    plant.desk.calibrate(ODILE, TWO_HIGH)
    plant.desk.recall(ODILE, "core-1")
    plant.caught_up()
    assert plant.service.exporter.owed(plant.now) == [DAY]
    folder = plant.service.exporter.export(DAY)
    assert folder.name == f"{DAY}-r2"
    assert plant.service.exporter.owed(plant.now) == []


def test_recall_sent_twice_by_one_form_is_carried_out_once(plant) -> None:
    """The same request gets the answer given before; another one is refused."""
    plant.cook("J-1")
    plant.desk.calibrate(ODILE, TWO_HIGH)
    hand = Hand("Odile Marsh", "operator", Key("page-1", "the same"))
    first = plant.desk.recall(hand, "core-1")
    assert plant.desk.recall(hand, "core-1") == first
    assert len(plant.entries("recall")) == 1


def test_recall_over_the_api(plant) -> None:
    """Check, preview, recall and list over HTTP; a mistake is a problem document, an inspector may look and not act."""

    async def whole() -> None:
        transport = httpx.ASGITransport(plant.service.app, client=("127.0.0.1", 5000), raise_app_exceptions=False)
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:
            entered = await client.post("/api/v1/session", json={"name": "Odile Marsh", "secret": "juniper-9"})
            client.headers["X-Form-Token"] = entered.json()["form_token"]
            body = {"probe": "core-1", "method": "boiling-point", "indicated": "212 °F", "pressure": "29.92 inHg", "altitude": "5000 ft"}
            refused = await client.post("/api/v1/calibrations", json=body)
            assert (refused.status_code, refused.headers["content-type"]) == (422, "application/problem+json")
            assert "not the one reduced to sea level" in refused.json()["detail"]
            made = await client.post("/api/v1/calibrations", json={"probe": "core-1", "method": "ice-point", "indicated": "34 °F"})
            assert (made.status_code, made.json()["within"], made.json()["reference"]) == (201, False, "melting ice")
            preview = (await client.get("/api/v1/recalls/preview", params={"probe": "core-1"})).json()
            assert [(c["lot"], c["was"], c["now"]) for c in preview["changes"]] == [("J-1", "met", "deviated")]
            key = {"Idempotency-Key": "recall-1"}
            done = await client.post("/api/v1/recalls", json={"probe": "core-1", "check": made.json()["id"]}, headers=key)
            again = await client.post("/api/v1/recalls", json={"probe": "core-1", "check": made.json()["id"]}, headers=key)
            assert (done.status_code, again.json()) == (201, done.json())
            other = await client.post("/api/v1/recalls", json={"probe": "core-1"})
            assert (other.status_code, "carried out once" in other.json()["detail"]) == (409, True)
            (one,) = (await client.get("/api/v1/recalls")).json()["recalls"]
            assert (one["probe"], one["by"], one["after"]) == ("core-1", "Odile Marsh", None)
            (line,) = [p for p in (await client.get("/api/v1/probes")).json()["probes"] if p["probe"] == "core-1"]
            assert line["checked"]["good"] is False

    plant.cook("J-1")
    word = PasswordHasher(time_cost=1, memory_cost=8 * 1024, parallelism=1).hash("juniper-9")
    named = update(people.person).where(people.person.c.name == "Odile Marsh").values(secret_hash=word)
    plant.service.writer.submit(lambda conn: conn.execute(named)).result(10)
    asyncio.run(whole())
    plant.caught_up()
    plant.tick(1)
    assert plant.verdict("J-1") == "deviated"
    (record,) = plant.entries("recall")
    assert [(c["lot"], c["now"]) for c in record["changes"]] == [("J-1", "deviated")]
