"""Bad input of every sort, a fixture for each mistake: one sentence that says what and what to write instead, and nothing is lost."""

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
import pytest

from monitor import people
from monitor.cli import main
from rules.quantity import parse_instant
from rules.reading import Reading

HERE = Path(__file__).parent
MISTAKES = HERE / "mistakes"
PLANS = sorted((HERE.parent / "rules" / "plans" / "bad").glob("*.toml"))
READINGS, EVENTS, REQUESTS = (sorted((MISTAKES / kind).iterdir()) for kind in ("readings", "events", "requests"))
EVENING = parse_instant("2026-03-02T19:00:00-06:00")


@pytest.fixture
def call(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
    """Run the command as the shell does: exit code, standard output, standard error."""

    def run(*words: object) -> tuple[int, str, str]:
        monkeypatch.setattr("sys.argv", ["larderer", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            main()
        out, err = capsys.readouterr()
        return int(ended.value.code or 0), out, err

    return run


def ids(path: Path) -> str:
    return path.stem


@pytest.mark.parametrize("plan", PLANS, ids=ids)
def test_mistake_in_a_plan_is_told(call: Callable[..., tuple[int, str, str]], plan: Path) -> None:
    """Each with the file's name, exit code 2 or (for what parses but must be mended) 1, and no traceback."""
    code, out, err = call("plan", "check", plan)
    assert code in (1, 2)
    told = out if code == 1 else err
    assert plan.name in told or code == 1
    assert "Traceback" not in out + err
    if code == 2:
        assert out == ""
        assert err.strip()


@pytest.mark.parametrize("path", READINGS, ids=ids)
def test_mistake_in_a_readings_file_is_one_sentence(call: Callable[..., tuple[int, str, str]], path: Path, tmp_path: Path) -> None:
    """File, line and field are named, and nothing is judged."""
    events = tmp_path / "events.csv"
    events.write_text("time,event,lot,name,value\n2026-03-02T19:00:00-06:00,start,J-0412,juniper-links,\n", encoding="utf-8")
    code, out, err = call("judge", HERE / "night.toml", path, "--events", events)
    assert (code, out, err.count("\n")) == (2, "", 1), err
    assert path.name in err
    if "empty" not in path.stem and "utf" not in path.stem:
        assert re.search(r"line \d+", err), err
    assert ";" in err, "what to write instead"


@pytest.mark.parametrize("path", EVENTS, ids=ids)
def test_mistake_in_an_events_file_is_one_sentence(call: Callable[..., tuple[int, str, str]], path: Path, tmp_path: Path) -> None:
    """The entry is named, and nothing is judged."""
    readings = tmp_path / "readings.csv"
    readings.write_text("time,probe,value\n2026-03-02T19:00:00-06:00,core-1,32\n2026-03-02T19:30:00-06:00,core-1,33\n", encoding="utf-8")
    code, out, err = call("judge", HERE / "night.toml", readings, "--events", path)
    assert (code, out, err.count("\n")) == (2, "", 1), err
    assert path.name in err or re.search(r"lot J-04\d\d at 2026", err), err
    assert ";" in err, "what to write instead"


@pytest.fixture(scope="module")
def site(plants: Callable[..., Any], cook_plan: str) -> Any:
    """A running site with one lot, two signed-in clients beside it: a person and a machine."""
    site = plants(cook_plan, start=EVENING).up(page=True)
    site.service.writer.submit(lambda conn: people.set_secret(conn, "Odile Marsh", "juniper-9", site.clock())).result(20)
    site.service.desk.start_lot(people_hand(), "juniper-links", lot="J-0412")
    site.hand_over([Reading("core-1", EVENING + 1_000_000, 32.0)])
    site.person = httpx.Client(base_url=site.service.url(), timeout=30.0)
    answer = site.person.post("/api/v1/session", json={"name": "Odile Marsh", "secret": "juniper-9"})
    site.person.headers["X-Form-Token"] = answer.json()["form_token"]
    site.machine = site.device()
    yield site
    site.person.close()
    site.machine.close()


def people_hand() -> Any:
    from monitor.desk import Hand

    return Hand("Odile Marsh", "operator")


@pytest.mark.parametrize("path", REQUESTS, ids=ids)
def test_mistake_in_a_request_is_one_problem_document(site: Any, path: Path) -> None:
    """RFC 9457, a 4xx, a sentence; what is stored stays as it was."""
    route, _, body = path.read_text(encoding="utf-8").partition("\n\n")
    method, address = route.split()
    before = (site.entries(), site.items(), site.report())
    client = site.machine if address == "/readings" else site.person
    answer = client.request(method, f"/api/v1{address}", content=body.strip().encode(), headers={"Content-Type": "application/json"})
    assert 400 <= answer.status_code < 500, answer.text
    assert answer.headers["content-type"].startswith("application/problem+json")
    problem = answer.json()
    assert {"type", "title", "status", "detail"} <= problem.keys()
    assert problem["status"] == answer.status_code
    assert len(problem["detail"]) > 10
    assert "\n" not in problem["detail"]
    assert (site.entries(), site.items(), site.report()) == before
