"""What time it is, said by a person where nothing else tells it: on the page, over the API, with the command."""

import asyncio
import os
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import httpx
import pytest

from monitor import ledger, people
from monitor.clock_desk import ClockDesk
from monitor.desk import Hand
from monitor.errors import InputError, RefusedError
from rules.quantity import format_instant, local, parse_instant
from rules.reading import HOUR, MINUTE
from tests.ferncliff import ODILE
from tests.monitor.clock.board import DAY, TAM, Board


def said(board: Board, text: str, hand: Hand = TAM) -> dict[str, Any]:
    return ClockDesk(board.service.desk, board.service.keeper).set(hand, text)


def by_the_watch(board: Board) -> str:
    """The right time, as a person reads it off a watch."""
    return f"{local(board.true, board.service.plan.site.zone):%Y-%m-%dT%H:%M:%S}"


def test_person_says_the_time_where_no_network_does(board: Board) -> None:
    """Local time, in the ledger under the name; what was read is put right, the rest counted on from there, also over a restart."""
    board.hot_lot()
    board.power_cut(HOUR, -3 * DAY)
    for n in range(12):
        board.read(100 - n)
    board.tick()
    made = said(board, by_the_watch(board))
    assert (made["by"], made["at"]) == ("Tam Okafor", format_instant(board.true))
    for _ in range(3):
        board.tick()
    assert board.clock() == board.true
    assert not board.clock.unsettled
    assert "clock/provisional" not in board.ringing()
    assert board.judged()[-1].at == board.true
    assert len(board.judged()) == 42
    board.restart()
    board.read(80)
    board.tick()
    assert board.clock() == board.true
    assert board.judged()[-1].at == board.true, "the driver's stamp of the system's wrong clock is put right too"
    with board.service.store.read() as conn:
        (entry,) = [e for e in ledger.entries(conn, kind="clock") if e.body.get("what") == "trusted"]
    assert entry.by == "Tam Okafor"
    assert entry.body["by_s"] == made["by_s"]


def test_time_that_was_said_wrongly_is_put_right_by_the_network_or_by_a_better_word(board: Board) -> None:
    """A day too late, then an hour too early, then a network: each reading and entry counts once, and ends where it belongs."""
    board.hot_lot()
    board.power_cut(HOUR, -3 * DAY)
    begun = board.true + MINUTE
    for n in range(5):
        board.read(100 - n)
    board.service.desk.start_lot(ODILE, "juniper-links", lot="J-2")
    started = board.true
    board.tick()
    for off in (DAY, -20 * MINUTE):
        said(board, f"{local(board.true + off, board.service.plan.site.zone):%Y-%m-%dT%H:%M:%S}")
        for _ in range(3):
            board.tick()
        assert board.clock() == board.true + off
        board.read(94)
        board.tick()
    board.get_time()
    assert board.clock() == board.true
    judged = board.judged()
    assert [r.at for r in judged[30:]] == [begun + n * MINUTE for n in range(7)]
    assert parse_instant(next(lot for lot in board.lots() if lot["lot"] == "J-2")["started"]) == started
    assert [entry["by_s"] > 0 for entry in board.entries("trusted")] == [True, False, True]


def test_time_is_said_at_the_very_first_start(tmp_path: Path) -> None:
    """Nothing is stored from before, so only the year can be held against anything; what was read moves by more than a year."""
    board = Board(tmp_path, wrong=-400 * DAY)
    board.hot_lot()
    for year in ("2025", "2031"):
        with pytest.raises(InputError, match="years away"):
            said(board, f"{year}-12-24T08:00")
    said(board, by_the_watch(board))
    for _ in range(3):
        board.tick()
    assert [r.at for r in board.judged()] == [board.true - n * MINUTE for n in range(30)][::-1]
    (lot,) = board.lots()
    assert parse_instant(lot["started"]) == board.true - 30 * MINUTE
    assert not board.clock.unsettled
    board.service.close()


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("2026-03-02T07:00", "there are records up to 2026-03-02T14:3"),
        ("2025-12-24T07:00", "there are records up to"),
        ("2033-03-02T12:00", "years away from the newest record"),
        ("", "the time is blank"),
        ("half past nine", "write it as 2026-03-02 13:04"),
        ("2026-03-08T02:30", "never was: the clocks went forward"),
        ("2026-11-01T01:30", "came twice"),
    ],
)
def test_time_that_cannot_be_is_refused_in_one_sentence(board: Board, text: str, sentence: str) -> None:
    """Before what is stored, absurdly far, no time at all, or one of the hours of the clocks' change: nothing is changed."""
    board.hot_lot()
    board.power_cut(HOUR, -3 * DAY)
    board.read(100)
    board.tick()
    now = board.clock()
    with pytest.raises(InputError, match=sentence) as refused:
        said(board, text)
    assert "\n" not in str(refused.value)
    assert board.clock.provisional
    assert board.clock() == now
    assert board.entries("trusted") == []


def test_time_is_not_said_where_it_is_known_nor_by_who_only_reads(board: Board) -> None:
    """The system's clock is followed; an inspector says nothing."""
    board.hot_lot()
    with pytest.raises(RefusedError, match="the time is known here"):
        said(board, by_the_watch(board))
    board.power_cut(HOUR, -3 * DAY)
    with pytest.raises(RefusedError, match="only reads here"):
        said(board, by_the_watch(board), Hand("Ines Vale", "inspector"))
    assert board.clock.provisional


def test_time_is_said_on_the_page_and_over_the_api(board: Board) -> None:
    """The form, its refusal beside it, and the same over the API; the page's notice leads there and then goes."""
    board.hot_lot()
    board.power_cut(HOUR, -3 * DAY)
    board.read(100)
    board.tick()
    board.service.writer.submit(lambda conn: people.set_secret(conn, "Odile Marsh", "provisional-pin-1", board.clock())).result(10)

    async def go() -> None:
        door = httpx.ASGITransport(board.service.app, client=("127.0.0.1", 1))
        async with httpx.AsyncClient(transport=door, base_url="http://127.0.0.1") as client:
            token = (await client.post("/api/v1/session", json={"name": "Odile Marsh", "secret": "provisional-pin-1"})).json()["form_token"]
            assert 'href="/clock"' in (await client.get("/")).text
            assert (await client.get("/api/v1/clock")).json()["provisional"] == "time"
            form = {"form_token": token, "once": "a"}
            wrong = await client.post("/clock", data=form | {"when": "2026-03-01T07:00"})
            assert wrong.status_code == 422
            assert "there are records up to" in wrong.text
            done = await client.post("/clock", data=form | {"when": by_the_watch(board), "once": "b"}, follow_redirects=True)
            assert "by Odile Marsh" in done.text
            for _ in range(3):
                await asyncio.to_thread(board.tick)
            shown = (await client.get("/api/v1/clock")).json()
            assert shown == {"now": format_instant(board.true), "provisional": "", "by": "Odile Marsh"}
            assert "provisional" not in (await client.get("/")).text
            asked = {"X-Form-Token": token, "Idempotency-Key": "k"}
            again = await client.post("/api/v1/clock", json={"at": format_instant(board.true + HOUR)}, headers=asked)
            assert (again.status_code, again.json()["by_s"]) == (201, 3600.0)

    asyncio.run(go())
    assert board.clock() == board.true + HOUR


def test_time_is_said_with_the_command(board: Board) -> None:
    """As a person at the board's keyboard: what is wrong is one sentence and exit code 2, what is right is told back."""
    board.hot_lot()
    board.power_cut(HOUR, -3 * DAY)
    board.read(100)
    board.tick()
    board.service.writer.submit(lambda conn: people.set_secret(conn, "Odile Marsh", "provisional-pin-1", board.clock())).result(10)
    up = threading.Event()
    server = threading.Thread(target=lambda: board.service.run_server(up.set), daemon=True)
    server.start()
    assert up.wait(30)

    def larderer(*words: str) -> tuple[int, str, str]:
        command = [sys.executable, "-m", "monitor.cli", "clock", *words, "--name", "Odile Marsh", "--url", board.service.url()]
        secret = {**os.environ, "LARDERER_SECRET": "provisional-pin-1"}
        done = subprocess.run(command, env=secret, capture_output=True, text=True, timeout=60, check=False)
        return done.returncode, done.stdout, done.stderr

    assert "provisional: the board started without the time" in larderer("show")[1]
    code, out, error = larderer("set", "2026-03-01T07:00")
    assert (code, out) == (2, "")
    assert error.count("\n") == 1
    assert "there are records up to" in error
    code, out, error = larderer("set", by_the_watch(board))
    assert (code, error) == (0, "")
    assert out.startswith(f"It is {format_instant(board.true)}, by Odile Marsh")
    for _ in range(3):
        board.tick()
    assert "by the word of Odile Marsh" in larderer("show")[1]
    assert board.judged()[-1].at == board.true
    board.service.stop()
    server.join(30)
