"""The demo day with the real service: judged again from its export it is the same, and nothing is told twice or left open."""

import json
import os
import re
import signal
import subprocess
import sys
import threading
import urllib.request
from collections import Counter
from pathlib import Path
from typing import Any

import pytest

from monitor.commands.offline import verify_path
from monitor.demo.day import DAYS, Demo, verdicts
from rules.reading import MINUTE

HEAD = re.compile(r"(?P<mark>(?:AGAIN|WORSE|STILL) )?A(?P<alarm>\d+): ")


def larderer(*arguments: object) -> "subprocess.CompletedProcess[str]":
    command = [sys.executable, "-m", "monitor.cli", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """The day, told flat out; what is known of it at its end, and after the service was taken down."""
    folder = tmp_path_factory.mktemp("demo")
    threads = {t.ident for t in threading.enumerate()}
    lines: list[str] = []
    demo = Demo(folder, lines.append, speed=0.0, period_s=30)
    told: dict[str, Any] = {"folder": folder, "lines": lines, "demo": demo}
    try:
        demo.start()
        told["played"] = demo.play(demo.service.intake.readings, step=2 * MINUTE)
        told["good"] = demo.finish()
        told["live"] = demo.service.pipeline.report()
        told["deviations"] = demo.service.desk.deviations()
        told["alarms"] = demo.service.desk.alarms()
    finally:
        demo.close()
    told["left"] = [t.name for t in threading.enumerate() if t.ident not in threads and t.is_alive()]
    return told


def test_day_comes_out_as_told(day: dict[str, Any]) -> None:
    """The grind warms, one lot is pulled at the peak, the other held and bloomed too long; everything else is met."""
    assert day["played"]
    bad = {
        (lot["lot"], limit["limit"], limit["verdict"])
        for lot in day["live"]["lots"]
        for limit in lot["limits"]
        if limit["verdict"] != "met"
    }
    assert bad == {
        ("J-0301", "grind cold", "deviated"),
        ("J-0301", "grind check", "deviated"),
        ("J-0301", "stabilization", "deviated"),
        ("T-0302", "lethality", "deviated"),
    }


def test_judge_on_each_export_repeats_every_verdict_and_instant(day: dict[str, Any]) -> None:
    """`larderer judge` as a command, on the exported files alone: every watch as it was found live, and `lots.json` byte for byte."""
    assert day["good"]
    for export in day["demo"].exports:
        done = larderer("judge", export / "plan.toml", export / "readings.csv", "--events", export / "events.csv", "--json")
        assert done.returncode == 1, done.stderr
        assert done.stdout.encode() == (export / "lots.json").read_bytes()
        judged, live = verdicts(json.loads(done.stdout)), verdicts(day["live"])
        assert judged == live if export == day["demo"].exports[-1] else judged.keys() <= live.keys()
    assert len(verdicts(day["live"])) > 25


def test_exports_verify_with_key_and_head_and_so_does_the_ledger(day: dict[str, Any]) -> None:
    """As commands, with what was known elsewhere; an altered figure is found."""
    key, data = day["folder"] / "data" / "keys" / "site.pub", day["folder"] / "data"
    assert [path.name.removesuffix("-r2") for path in day["demo"].exports] == list(DAYS)
    for export in day["demo"].exports:
        head = json.loads((export / "manifest.json").read_bytes())["ledger"]["head"]
        assert json.loads((export / "manifest.json").read_bytes())["problems"] == []
        assert verify_path(export, key, head)[0] == 0
        code, text = verify_path(data / "larderer.sqlite", None, head)
        assert code == 0, text
    assert larderer("verify", export, "--key", key, "--head", head).returncode == 0
    rows = export / "readings.csv"
    before = rows.read_bytes()
    rows.write_bytes(before.replace(b",62.", b",63.", 1))
    assert before != rows.read_bytes()
    assert larderer("verify", export, "--key", key).returncode == 1
    rows.write_bytes(before)


def test_deviations_are_closed_with_their_corrective_action(day: dict[str, Any]) -> None:
    """Two critical limits deviated: each record has its actions, its answers with a quantity, and a second person's review."""
    found = {(one["lot"], one["limit"]): one for one in day["deviations"]}
    assert found.keys() == {("T-0302", "lethality"), ("J-0301", "stabilization")}
    for one in found.values():
        assert one["state"] == "closed"
        assert one["answered_by"] == "Odile Marsh"
        assert one["reviewed_by"] == "Tam Okafor"
        assert [a for a in one["actions"] if a["planned"]], "an action of the plan's own list"
        assert all(one["answers"][name] for name in ("cause", "removed", "restored", "reading", "prevention", "disposition", "quantity"))
    assert day["alarms"] == []


def test_phone_hears_each_cause_once_a_rung(day: dict[str, Any]) -> None:
    """No alarm is told twice to one person unless it is repeated, worse or still there, and then it says so."""
    rung, ids = Counter[tuple[str, str, str]](), Counter[str]()
    for bell, body in day["demo"].cast.messages:
        ids[body.rsplit("message ", 1)[1]] += 1
        head = HEAD.search(body.splitlines()[0])
        if head is not None and not head["mark"] and "ACKNOWLEDGED" not in body and "ALL CLEAR" not in body:
            what = body.splitlines()[0].split(": ", 1)[1].split(",")[0]
            rung[bell, head["alarm"], what] += 1
    assert max(ids.values()) == 1
    assert max(rung.values()) == 1
    told = {what for bell, _, what in rung}
    assert {"grind cold limit not met", "stabilization limit not met", "lethality limit not met"} <= told
    assert any(bell == "tam-phone" and what == "lethality limit not met" for bell, _, what in rung), "it escalated"


def test_story_is_told_in_plain_lines(day: dict[str, Any]) -> None:
    """What a person at the terminal reads, in this order."""
    text = "\n".join(day["lines"])
    marks = [
        "Odile starts lot J-0301",
        "[phone of Odile Marsh] MEDIUM A1: grind cold limit not met",
        "Above 34 °F",
        "Cold again",
        "T-0302, core-4 reads 145" if "T-0302, core-4 reads 145" in text else "T-0302, core-3 reads 145",
        "[phone of Tam Okafor] CRITICAL",
        "Tam taps the link",
        "stabilization limit not met",
        "41 kg destroyed",
        "Tam signs the pre-shipment review of 2026-03-01",
        "larderer judge on the export repeats the live verdict and instant of all",
    ]
    place = 0
    for mark in marks:
        found = text.find(mark, place)
        assert found >= 0, f"{mark!r} does not come in its turn"
        place = found
    assert "J-0301, lethality, core-1: met. held at or above" in text
    assert " safe" not in text


def test_nothing_is_left_running(day: dict[str, Any]) -> None:
    """The demo takes down every thread and child it started."""
    assert day["left"] == []
    children = Path(f"/proc/self/task/{os.getpid()}/children")
    if children.exists():
        names = [Path(f"/proc/{pid}/cmdline").read_text() for pid in children.read_text().split() if Path(f"/proc/{pid}").exists()]
        assert not [name for name in names if "ringer" in name or "monitor" in name]


@pytest.mark.full
def test_day_over_its_own_broker_agrees_reading_by_reading(tmp_path: Path) -> None:
    """Every reading of the day, each 10 s, through the demo's MQTT broker: verdicts, exports and their recomputation agree."""
    demo = Demo(tmp_path, lambda text: None, speed=0.0)
    try:
        demo.start()
        assert demo.play()
        assert demo.finish()
    finally:
        demo.close()


def test_command_shows_its_page_and_ends_on_ctrl_c(tmp_path: Path) -> None:
    """`larderer demo` over its own MQTT broker: page and sign-in are printed at once, and one Ctrl-C ends it with exit code 0."""
    command = [sys.executable, "-m", "monitor.cli", "demo", "--port", "0", "--speed", "600"]
    env = {**os.environ, "TMPDIR": str(tmp_path)}
    child = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=env)
    assert child.stdout is not None
    try:
        lines: list[str] = []
        for line in child.stdout:
            lines.append(line)
            if "measures J-0301" in line:
                break
        page = next(line.split()[1] for line in lines if line.startswith("Page"))
        assert any("PIN" in line for line in lines if line.startswith("Sign in"))
        with urllib.request.urlopen(f"{page}api/v1/health", timeout=20) as answer:
            assert answer.status == 200
        child.send_signal(signal.SIGINT)
        out, err = child.communicate(timeout=60)
    finally:
        child.kill()
        child.wait()
    assert child.returncode == 0, err
    assert "Traceback" not in out + err
    assert err == ""
    assert "Traceback" not in next(tmp_path.glob("larderer-demo-*/service.log")).read_text()
