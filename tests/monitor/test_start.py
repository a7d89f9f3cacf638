"""A start: judging comes first; the page, and the check of the ledger's end, come after it and cannot hold it up."""

import asyncio
import subprocess
import sys
import threading
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from sqlalchemy import text

from monitor import ledger, ledger_check, web
from monitor.alarms.listing import open_alarms
from monitor.config import load_config
from monitor.errors import StoreDamaged, StoreFailed
from monitor.service import Service
from monitor.store import readings
from monitor.store.database import Store
from rules.quantity import parse_instant
from rules.reading import MINUTE, Reading
from tests.ferncliff import COOLER, SITE
from tests.waiting import until

NOON = parse_instant("2026-03-02T12:00:00-06:00")
JUDGING = """
import sys
from pathlib import Path
from monitor.config import load_config
from monitor.errors import StoreDamaged, StoreFailed
from monitor.service import Service
service = Service(load_config(Path("larderer.toml")), drivers=[], exports=False)
service.bind()
service.start()
wanted = "fastapi starlette uvicorn pydantic jinja2 prometheus_client argon2 alembic apprise fpdf pymodbus amqtt serial paho imaplib rich"
more = "pandas matplotlib scipy numpy psycopg sqlalchemy.dialects.postgresql"
print("loaded:", *(name for name in (wanted + " " + more).split() if name in sys.modules))
service.close()
"""


class House:
    """A whole service, served by a thread; the test moves its clock."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.now = folder, NOON
        (folder / "plan.toml").write_text(SITE + COOLER, encoding="utf-8")
        (folder / "larderer.toml").write_text('plan = "plan.toml"\n[server]\nport = 0\n[alarms]\nall_well = ""\n', encoding="utf-8")
        self.served: threading.Thread | None = None

    def up(self, settled: Callable[[], None] = lambda: None, tick_s: float = 3600.0) -> Service:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResourceWarning)  # sdnotify drops its socket unclosed where no service manager listens
            self.service = Service(
                load_config(self.folder / "larderer.toml"), clock=lambda: self.now, drivers=(), tick_s=tick_s, exports=False
            )
        self.service.bind()  # as the command does
        self.service.start()
        self.served = threading.Thread(target=self.service.run_server, args=(settled,), daemon=True)
        self.served.start()
        return self.service

    def down(self) -> None:
        if self.served is not None:
            self.service.stop()
            self.served.join(60)
            assert not self.served.is_alive()
            self.served = None

    def ringing(self) -> dict[str, str]:
        with self.service.store.read() as conn:
            return {row["key"]: row["detail"] for row in open_alarms(conn, self.now) if row["active"]}

    def read(self, celsius: float) -> None:
        self.now += MINUTE
        self.service.intake.readings([Reading("cooler-air", self.now, celsius)]).result(10)

    def alter(self, *statements: str) -> None:
        """Change the records behind the program's back, while it is down."""
        with Store(self.folder / "data" / "larderer.sqlite") as store, store.write() as conn:
            conn.execute(text("DROP TRIGGER ledger_no_update"))
            for statement in statements:
                conn.execute(text(statement))


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    house = House(tmp_path)
    yield house
    house.down()


def break_page(monkeypatch: pytest.MonkeyPatch, how: Callable[..., object]) -> None:
    monkeypatch.setattr("monitor.api.app.create_app", how)
    monkeypatch.setattr(web, "_AGAIN_S", 0.05)


def test_judging_begins_without_the_libraries_of_the_page(tmp_path: Path) -> None:
    """What weighs most is not loaded yet when the first reading can be judged, nor is what other stores, sources and papers need."""
    House(tmp_path)
    Store(tmp_path / "data" / "larderer.sqlite").open().close()  # a store that is up to date, as at every start but the first
    done = subprocess.run([sys.executable, "-c", JUDGING], cwd=tmp_path, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout == "loaded:\n"


def test_judging_and_alarms_go_on_while_the_page_cannot_be_made(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """It rings with the reason, and readings are stored and judged; once the page comes up it answers and the alarm ends."""
    from monitor.api import app

    whole = app.create_app

    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("a template is missing")

    break_page(monkeypatch, broken)
    service = house.up()
    until(lambda: "page" in house.ringing(), "the page's alarm")
    assert "RuntimeError: a template is missing" in house.ringing()["page"]
    house.read(3.0)
    assert service.judging.engine.heard("cooler-air") == house.now
    assert not service.answering
    monkeypatch.setattr("monitor.api.app.create_app", whole)
    until(lambda: service.answering, "the page")
    assert httpx.get(service.url() + "api/v1/health").status_code == 200
    until(lambda: "page" not in house.ringing(), "the end of the page's alarm")


def test_server_that_gives_up_at_its_start_is_started_again(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """Uvicorn ends the program where an app fails at its start; ours lives on, with the same port."""
    from monitor.api import app

    whole, tries = app.create_app, []

    def sulking(*args: object, **kwargs: object) -> object:
        made = whole(*args, **kwargs)  # type: ignore[arg-type]
        if not tries:
            made.router.lifespan_context = None  # type: ignore[assignment]
        tries.append(made)
        return made

    break_page(monkeypatch, sulking)
    service = house.up()
    port = service.bound_port()
    until(lambda: service.answering, "the page")
    assert len(tries) == 2
    assert (service.bound_port(), httpx.get(service.url() + "api/v1/health").status_code) == (port, 200)


def test_page_that_fails_again_and_again_rings_once(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever is settled by the first failure is not settled again either."""
    tries, settled = [], []

    def broken(*_: object, **__: object) -> None:
        tries.append(1)
        raise RuntimeError(f"try {len(tries)}")

    break_page(monkeypatch, broken)
    service = house.up(lambda: settled.append(1))
    until(lambda: len(tries) > 4, "some more tries")
    house.read(3.0)
    with service.store.read() as conn:
        assert conn.scalar(text("SELECT count(*) FROM alarm WHERE key = 'page'")) == 1
        assert conn.scalar(text("SELECT count(*) FROM alarm_event WHERE what = 'raised'")) == 1
    assert settled == [1]


def test_server_that_dies_after_it_answered_is_started_again_and_nothing_else_is(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """What waits for the page, such as the check of the ledger, waits for it once."""
    import uvicorn

    died, settled = threading.Event(), []

    async def loop(server: uvicorn.Server) -> None:
        if died.is_set():
            return await whole(server)
        while not settled:
            await asyncio.sleep(0.01)
        died.set()
        raise OSError("of the test")

    whole = uvicorn.Server.main_loop
    monkeypatch.setattr(uvicorn.Server, "main_loop", loop)
    monkeypatch.setattr(web, "_AGAIN_S", 0.05)
    service = house.up(lambda: settled.append(1))
    until(lambda: died.is_set() and service.answering, "the page again")
    until(lambda: "page" not in house.ringing(), "the end of the page's alarm")
    assert httpx.get(service.url() + "api/v1/health").status_code == 200
    assert settled == [1]


def test_page_that_comes_up_while_nothing_can_be_written_stops_ringing_once_it_can(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """Or its alarm would stand until the next start, with the page before one's eyes."""
    from monitor.api import app

    whole = app.create_app

    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("no")

    break_page(monkeypatch, broken)
    service = house.up(tick_s=0.1)
    until(lambda: "page" in house.ringing(), "the page's alarm")
    path = house.folder / "data" / "larderer.sqlite"
    path.rename(path.with_name("away"))
    until(lambda: service.writer.trouble, "the trouble of the store")
    heard, trouble = [], service.web._trouble
    monkeypatch.setattr(service.web, "_trouble", lambda text: (trouble(text), heard.append(text)))
    monkeypatch.setattr("monitor.api.app.create_app", whole)
    until(lambda: "" in heard, "the page")
    with pytest.raises(StoreFailed):  # and so does what was asked before
        service.writer.submit(lambda conn: None).result(10)
    path.with_name("away").rename(path)
    until(lambda: "page" not in house.ringing(), "the end of the page's alarm")


def test_end_is_heard_while_the_page_cannot_be_made(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody waits for the next try."""

    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("no")

    break_page(monkeypatch, broken)
    monkeypatch.setattr(web, "_AGAIN_S", 600.0)
    house.up()
    until(lambda: "page" in house.ringing(), "the page's alarm")
    house.down()


def test_record_changed_while_the_service_was_down_rings_after_the_start(house: House) -> None:
    """It is on record with the entry's number, and judging goes on; once the end of the ledger is sound again the alarm ends."""
    house.up()
    house.read(3.0)
    house.down()
    house.alter("UPDATE ledger SET at = at + 1 WHERE seq = 1")
    service = house.up()
    until(lambda: "store-sound" in house.ringing(), "the alarm about the ledger")
    house.read(3.0)
    assert service.judging.engine.heard("cooler-air") == house.now
    with service.store.read() as conn:
        (entry,) = ledger.entries(conn, kind="check")
    assert "entry 1" in entry.body["faults"][0]
    house.down()
    with Store(house.folder / "data" / "larderer.sqlite") as store, store.write() as conn:
        conn.execute(text("UPDATE ledger SET at = at - 1 WHERE seq = 1"))
    house.up()
    until(lambda: "store-sound" not in house.ringing(), "the end of the alarm about the ledger")


def test_ledger_is_checked_and_rings_also_where_the_page_cannot_be_made(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    house.up()
    house.read(3.0)
    house.down()
    house.alter("UPDATE ledger SET at = at + 1 WHERE seq = 1")

    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("no")

    break_page(monkeypatch, broken)
    house.up()
    until(lambda: {"page", "store-sound"} <= house.ringing().keys(), "both alarms")


@pytest.mark.parametrize("body", ["{}", '{"count":1e999,"first_seq":1,"last_seq":1,"spans":[]}', "[]"])
def test_seal_that_cannot_be_read_rings_and_readings_are_still_kept(house: House, body: str) -> None:
    """Somebody has changed the body of an entry: that is told like any other change, and neither start nor check fail over it."""
    service = house.up()
    house.read(3.0)
    service.writer.submit(lambda conn: ledger.seal(conn, house.now)).result(10)
    house.down()
    house.alter(f"UPDATE ledger SET body = '{body}' WHERE kind = 'seal'".replace(":", r"\:"))
    service = house.up()
    until(lambda: "store-sound" in house.ringing(), "the alarm about the ledger")
    house.read(3.0)
    with service.store.read() as conn:
        assert readings.count(conn) == 2


def test_ledger_check_that_cannot_be_recorded_is_tried_again(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever stood in the way: a check that ended unheard would pass for a sound ledger."""
    house.up()
    house.read(3.0)
    house.down()
    house.alter("UPDATE ledger SET at = at + 1 WHERE seq = 1")
    whole, tries = ledger_check.LedgerCheck._record, []

    def record(self: ledger_check.LedgerCheck, *rest: Any) -> None:
        tries.append(1)
        if len(tries) < 3:
            raise (RuntimeError, StoreDamaged)[len(tries) - 1]("of the test")
        whole(self, *rest)

    monkeypatch.setattr(ledger_check.LedgerCheck, "_record", record)
    monkeypatch.setattr(ledger_check, "_AGAIN_S", 0.05)
    house.up()
    until(lambda: "store-sound" in house.ringing(), "the alarm about the ledger")
    assert len(tries) == 3


def test_a_bells_wrong_address_is_refused_before_the_store_is_touched(tmp_path: Path) -> None:
    """The command reads it beside the loading of the service, and neither judges nor writes with it."""
    House(tmp_path)
    with (tmp_path / "larderer.toml").open("a", encoding="utf-8") as file:
        file.write('[[bell]]\nid = "phone"\nurl = "nosuch://127.0.0.1"\n[[escalation]]\nafter = "0 min"\nbells = ["phone"]\n')
    command = [sys.executable, "-m", "monitor.cli", "run", "--config", "larderer.toml"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 2
    assert "larderer.toml, line 8: bell 'phone': its address starts with nosuch://" in done.stderr.replace("\n", " ")
    assert not (tmp_path / "data").exists()
