"""What is looked at now and then: chattering, how fast records are kept, the clock's keeper, certificates, the heartbeat."""

from __future__ import annotations

import http.server
import json
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import ed25519
from cryptography.hazmat.primitives.serialization import Encoding
from cryptography.x509.oid import NameOID
from sqlalchemy import select

from monitor import ledger
from monitor.alarms.alarms import Alarms
from monitor.alarms.causes import Cause
from monitor.alarms.listing import open_alarms
from monitor.alarms.tables import outbox
from monitor.certificates import Ends
from monitor.clock_trust import clock_is_kept
from monitor.config import AlarmsConfig, BellConfig, Config, Mqtt, Person, Rung, Secret
from monitor.config import Heartbeat as Settings
from monitor.heartbeat import FAILURES, LATELY_S, Heartbeat
from monitor.rounds import LOOK_EVERY, SLOW, Rounds
from monitor.store.database import Store
from rules.plan import Site
from rules.quantity import from_datetime, parse_instant
from rules.reading import HOUR, MINUTE, SECOND, Instant
from tests.waiting import until

START = parse_instant("2026-03-02T22:00:00-06:00")
SITE = Site("ferncliff", "Ferncliff Yard Smokehouse", "America/Chicago", "F")


class Walk:
    """Alarms on a real store, and the rounds over them."""

    def __init__(self, folder: Path, kept: Callable[[], bool | None] | None = None, mqtt: Mqtt | None = None) -> None:
        config = Config(
            folder / "larderer.toml", folder / "plan.toml", folder, mqtt=mqtt, persons=(Person("Odile Marsh", "operator", ("phone",)),),
            bells=(BellConfig("phone", program=("/bin/true",)),), escalation=(Rung(0, persons=("Odile Marsh",)),),
            alarms=AlarmsConfig(all_well=None, drill=None),
        )  # fmt: skip
        self.store = Store(folder / "larderer.sqlite").open()
        self.alarms = Alarms(config, SITE, ledger.append)
        self.rounds = Rounds(config, SITE, self.alarms, ledger.append, kept)
        self.now = START

    def look(self, after: Instant = MINUTE) -> None:
        self.now += after
        with self.store.write() as conn:
            self.rounds.look(conn, self.now)
            self.alarms.due(conn, self.now)

    def comes_to(self, standing: dict[str, str]) -> None:
        """Look on, half a minute at a time, until just these stand."""

        def look() -> bool:
            self.look(LOOK_EVERY)
            return self.standing() == standing

        until(look, f"{standing}")

    def turn(self, cause: Cause) -> None:
        """The condition begins and ends again."""
        with self.store.write() as conn:
            self.alarms.raise_(conn, replace(cause, since=self.now), self.now)
            self.alarms.clear(conn, cause.key, self.now + SECOND)

    def standing(self) -> dict[str, str]:
        with self.store.read() as conn:
            return {a["key"]: a["what"] for a in open_alarms(conn, self.now) if a["active"]}

    def told(self) -> list[str]:
        with self.store.read() as conn:
            return [
                str(b).splitlines()[0] for b in conn.scalars(select(outbox.c.body).where(outbox.c.kind == "alarm").order_by(outbox.c.id))
            ]


@pytest.fixture
def walk(tmp_path: Path) -> Iterator[Callable[..., Walk]]:
    made: list[Walk] = []

    def make(**more: object) -> Walk:
        made.append(Walk(tmp_path, **more))  # type: ignore[arg-type]
        return made[-1]

    yield make
    for one in made:
        one.store.close()


DOOR = Cause("verdict/room/cooler-1/cooler air", "cooler air limit not met", "room cooler-1", START, "It was warm.", "medium", 2)


def test_alarm_that_comes_and_goes_is_told_once_as_chattering(walk: Callable[..., Walk]) -> None:
    """Three turns within ten minutes; two are none; told again at the earliest after two hours; over once it has come to rest."""
    one = walk()
    one.turn(DOOR)
    one.look(2 * MINUTE)
    one.turn(DOOR)
    one.look(2 * MINUTE)
    assert one.standing() == {}
    for _ in range(8):
        one.turn(DOOR)
        one.look(MINUTE)
    (what,) = one.standing().values()
    assert what == "alarm comes and goes: cooler air limit not met"
    assert len([line for line in one.told() if "comes and goes" in line]) == 1
    assert len([line for line in one.told() if "comes and goes" not in line]) == 1, "ten turns unanswered are one climb"
    one.look(11 * MINUTE)
    assert one.standing() == {}


def test_slow_commits_ring_and_a_single_slow_one_does_not(walk: Callable[..., Walk]) -> None:
    """Half of the last thirty above three seconds; over ten minutes after it is fast again."""
    one = walk()
    for n in range(30):
        one.rounds.took(9.0 if n == 7 else 0.4)
    one.look()
    assert one.standing() == {}
    for _ in range(30):
        one.rounds.took(SLOW / SECOND + 2)
    one.look()
    assert one.standing() == {"store/slow": "records take 5 s to be kept"}
    for _ in range(30):
        one.rounds.took(0.4)
    one.look()
    assert len(one.told()) == 1
    one.look(11 * MINUTE)
    assert one.standing() == {}


def test_clock_that_nothing_keeps_rings_after_ten_minutes(walk: Callable[..., Walk]) -> None:
    """After boot it takes a while; a system that does not say is not accused."""
    kept: list[bool | None] = [None]
    one = walk(kept=lambda: kept[0])
    one.look()
    kept[0] = False
    one.look()
    one.look(9 * MINUTE)
    assert one.standing() == {}
    one.look(2 * MINUTE)
    assert one.standing() == {"clock/untrusted": "clock is kept right by nothing"}
    kept[0] = True
    one.look()
    assert one.standing() == {}


def test_system_says_whether_its_clock_is_kept() -> None:
    """The real call: an answer, or None where it gives none."""
    assert clock_is_kept() in (True, False, None)


def certificate(path: Path, until: datetime) -> Path:
    key, name = ed25519.Ed25519PrivateKey.generate(), x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "ferncliff test")])
    made = x509.CertificateBuilder(name, name, key.public_key(), x509.random_serial_number()).not_valid_before(until - timedelta(days=365))
    path.write_bytes(made.not_valid_after(until).sign(key, None).public_bytes(Encoding.PEM))
    return path


def test_certificate_rings_a_month_ahead_and_again_when_it_has_ended(walk: Callable[..., Walk], tmp_path: Path) -> None:
    """A new file in its place ends it."""
    end = datetime(2026, 4, 2, 12, tzinfo=UTC)
    ca, old = certificate(tmp_path / "site-ca.crt", end), certificate(tmp_path / "old.crt", end - timedelta(days=90))
    ended = {"certificate/old.crt": "certificate old.crt has ended"}
    one = walk(mqtt=Mqtt("127.0.0.1", tls_ca=ca, tls_cert=old))
    one.now = from_datetime(end - timedelta(days=31))
    one.comes_to(ended)  # both have been read: the other one is not due yet
    one.look(2 * 24 * HOUR)
    assert one.standing() == ended | {"certificate/site-ca.crt": "certificate site-ca.crt ends soon"}
    one.look(24 * HOUR)
    assert len(one.told()) >= 1
    one.look(29 * 24 * HOUR)
    assert one.standing() == ended | {"certificate/site-ca.crt": "certificate site-ca.crt has ended"}
    certificate(ca, end + timedelta(days=365))
    one.comes_to(ended)
    old.unlink()
    one.comes_to({})


def test_certificates_are_read_again_only_where_a_file_has_changed(tmp_path: Path) -> None:
    """One that is no certificate has no end; what several in one file end with is the first of them."""
    end = datetime(2026, 4, 2, 12, tzinfo=UTC)
    two, none, away = certificate(tmp_path / "two.crt", end), tmp_path / "none.crt", tmp_path / "away.crt"
    two.write_bytes(two.read_bytes() + certificate(tmp_path / "x.crt", end + timedelta(days=9)).read_bytes())
    none.write_text("no certificate")
    ends, files = Ends(), [two, none, away]
    assert ends.of(files) == {}
    until(lambda: ends.of(files), "the certificates are read")
    known = ends.of(files)
    assert known == {two: from_datetime(end), none: None, away: None}
    assert ends.of(files) is known
    certificate(away, end)
    until(lambda: ends.of(files) is not known, "the new one is read")
    assert ends.of(files)[away] == from_datetime(end)
    known = ends.of(files)
    away.chmod(0o640)  # one that could not be read may be readable now
    until(lambda: ends.of(files) is not known, "it is read again")


def test_what_reads_certificates_is_not_kept_by_the_service(tmp_path: Path) -> None:
    """It is 7 MB, and was needed for a moment."""
    certificate(tmp_path / "site.crt", datetime(2026, 4, 2, 12, tzinfo=UTC))
    code = """
import sys, time, monitor.service
from pathlib import Path
from monitor.certificates import Ends
ends = Ends()
while not ends.of([Path(sys.argv[1])]):
    time.sleep(0.02)
sys.exit(1 if "cryptography" in sys.modules or None in ends.of([Path(sys.argv[1])]).values() else 0)
"""
    assert subprocess.run([sys.executable, "-c", code, str(tmp_path / "site.crt")], check=False, timeout=120).returncode == 0


def test_certificates_that_cannot_be_read_are_tried_again_later(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No memory for the process, say: what was known stays, and it is not started anew at every look."""
    file = certificate(tmp_path / "site.crt", datetime(2026, 4, 2, 12, tzinfo=UTC))
    ends = Ends()
    until(lambda: ends.of([file]), "the certificate is read")
    known = ends.of([file])
    certificate(file, datetime(2027, 4, 2, 12, tzinfo=UTC))
    tried = []
    monkeypatch.setattr("monitor.certificates.sys.executable", str(tmp_path / "no such program"))
    monkeypatch.setattr("monitor.certificates.log.error", lambda *_, **values: tried.append(values["text"]))
    until(lambda: ends.of([file]) is known and tried, "the failure")
    for _ in range(3):
        assert ends.of([file]) is known
    assert len(tried) == 1
    monkeypatch.undo()
    ends._not_before = 0.0
    until(lambda: ends.of([file]) is not known, "it is read")


class Elsewhere(http.server.ThreadingHTTPServer):
    """Somebody elsewhere who waits for the beat."""

    def __init__(self) -> None:
        here = self
        self.got: list[tuple[str, bytes]] = []
        self.status = 200

        class Handler(http.server.BaseHTTPRequestHandler):
            def answer(self) -> None:
                here.got.append((self.command, self.rfile.read(int(self.headers.get("Content-Length") or 0))))
                self.send_response(here.status)
                self.send_header("Content-Length", "0")
                self.end_headers()

            do_GET = do_POST = answer

            def log_message(self, *_: object) -> None:
                """Say nothing."""

        super().__init__(("127.0.0.1", 0), Handler)
        threading.Thread(target=self.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True).start()


@pytest.fixture
def elsewhere() -> Iterator[Elsewhere]:
    one = Elsewhere()
    yield one
    one.shutdown()
    one.server_close()


def beating(port: int, method: str = "GET") -> tuple[Heartbeat, list[str], list[float]]:
    troubles, steady = [], [1000.0]  # type: ignore[var-annotated]
    settings = Settings(Secret(f"http://127.0.0.1:{port}/hush-token"), method, MINUTE, 5 * SECOND)
    return Heartbeat(settings, lambda: {"site": "ferncliff", "head": "ab" * 32}, troubles.append, lambda: steady[0]), troubles, steady


def test_heart_beats_only_while_judging_goes_on(elsewhere: Elsewhere) -> None:
    """Never before the first pass, and not once a pass is more than a minute old."""
    heart, troubles, steady = beating(elsewhere.server_port)
    assert not heart.beat()
    heart.alive()
    assert heart.beat()
    steady[0] += LATELY_S
    assert heart.beat()
    steady[0] += 1
    assert not heart.beat()
    assert [method for method, _ in elsewhere.got] == ["GET", "GET"]
    assert troubles == [], "judging that stands still has alarms of its own"


def test_post_carries_the_ledgers_head(elsewhere: Elsewhere) -> None:
    """Somebody elsewhere then knows a head that no rewriting here can change."""
    heart, _, _ = beating(elsewhere.server_port, "POST")
    heart.alive()
    assert heart.beat()
    ((method, body),) = elsewhere.got
    assert (method, json.loads(body)["head"]) == ("POST", "ab" * 32)


def test_beat_that_does_not_get_out_rings_at_the_second_and_says_when_it_does(elsewhere: Elsewhere) -> None:
    """A refusing answer counts as none; the secret of the address is in no message."""
    heart, troubles, _ = beating(elsewhere.server_port)
    heart.alive()
    elsewhere.status = 503
    for n in range(FAILURES + 2):
        assert not heart.beat()
        assert len(troubles) == (n + 1 >= FAILURES)
    assert "503" in troubles[0]
    assert "hush" not in heart.where + troubles[0]
    elsewhere.status = 204
    assert heart.beat()
    assert troubles[1:] == [""]


def test_beat_to_nobody_is_a_failure_in_words() -> None:
    """Nothing listens there."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    heart, troubles, _ = beating(port)
    heart.alive()
    assert not heart.beat()
    assert not heart.beat()
    assert "refused" in troubles[0]
