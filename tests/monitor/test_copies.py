"""Second copies made while the service runs, tried out, and put back with a fork that shows; one reading proven alone."""

import json
import shutil
import sqlite3
import threading
import warnings
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from monitor import ledger
from monitor.commands.copying import backup_to, rehearse, restore_from
from monitor.commands.offline import prove_reading, verify_live, verify_path
from monitor.config import load_config
from monitor.errors import InputError, LedgerError, RefusedError
from monitor.service import Service
from monitor.store import readings
from monitor.store.looking import looking
from rules.quantity import format_instant
from rules.reading import HOUR, MINUTE, SECOND, Reading
from tests.ferncliff import GRIND, SITE, START


class Site:
    """A service on a folder with its configuration; the test moves the clock."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.now, self.sent = folder, START, 0
        (folder / "plan.toml").write_text(SITE + GRIND, encoding="utf-8")
        self.config = folder / "larderer.toml"
        self.config.write_text('plan = "plan.toml"\n[server]\nport = 0\n[alarms]\nall_well = ""\n', encoding="utf-8")
        self.database, self.public = folder / "data" / "larderer.sqlite", folder / "data" / "keys" / "site.pub"
        self.open()

    def open(self) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResourceWarning)
            self.service = Service(load_config(self.config), clock=lambda: self.now, drivers=(), tick_s=3600.0, exports=False)
        self.service.start()

    def send(self, count: int) -> None:
        """So many readings, one a second."""
        for _ in range(count):
            self.now += SECOND
            self.sent += 1
            self.service.intake.readings([Reading("core-1", self.now, 3.0 + self.sent / 7)]).result(10)

    def seal(self) -> None:
        self.now += 11 * MINUTE
        self.service.writer.submit(lambda conn: self.service.pipeline.tick(conn, self.now)).result(10)

    def head(self) -> ledger.Head:
        with looking(self.database) as conn:
            return ledger.head(conn)

    def count(self) -> int:
        with looking(self.database) as conn:
            return readings.count(conn)


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    site = Site(tmp_path)
    yield site
    site.service.close()


def test_copy_made_under_load_is_whole_and_on_record(site: Site, tmp_path: Path) -> None:
    """While readings come in, each copy holds one state that verifies; its entry says how far it reaches and what it hashes to."""
    site.send(5)
    done = threading.Event()

    def load() -> None:
        while not done.is_set():
            site.send(1)

    thread = threading.Thread(target=load)
    thread.start()
    try:
        text = backup_to(site.config, tmp_path / "copy.sqlite")
    finally:
        done.set()
        thread.join()
    assert "read back" in text
    assert "Nothing is wrong" in text
    with looking(tmp_path / "copy.sqlite") as conn:
        held, head = readings.count(conn), ledger.head(conn)
    with site.service.store.read() as conn:
        assert ledger.verify(conn) == []
        entry = ledger.newest(conn, "backup")
    assert entry is not None
    assert entry.body["holds"]["arrived"] == held >= 5
    assert (entry.body["holds"]["seq"], entry.body["holds"]["hash"]) == head
    assert entry.body["bytes"] == (tmp_path / "copy.sqlite").stat().st_size
    with pytest.raises(RefusedError, match="exists already; write another name"):
        backup_to(site.config, tmp_path / "copy.sqlite")


def test_rehearsal_changes_nothing_and_says_what_a_restore_would_lose(site: Site, tmp_path: Path) -> None:
    """The running service keeps everything; the copy is read whole, judged from, and compared with what is in use."""
    site.send(5)
    backup_to(site.config, tmp_path / "copy.sqlite")
    before = (tmp_path / "copy.sqlite").read_bytes()
    site.send(3)
    text = rehearse(site.config, tmp_path / "copy.sqlite")
    assert "Judging goes on from it: no lot open." in text
    assert "5 in all" in text
    assert "and 3 readings that came since the copy was made would be gone." in text
    assert (tmp_path / "copy.sqlite").read_bytes() == before
    assert site.count() == 8
    with site.service.store.read() as conn:
        assert ledger.newest(conn, "restore-rehearsal") is not None


def test_restore_is_an_entry_and_the_fork_shows(site: Site, tmp_path: Path) -> None:
    """Back at the copy's state the ledger goes on, says what it replaced, and any head noted down since is of another history."""
    site.send(5)
    backup_to(site.config, tmp_path / "copy.sqlite")
    with looking(tmp_path / "copy.sqlite") as conn:
        known = ledger.head(conn)
    site.send(3)
    lost = site.head()
    with pytest.raises(RefusedError, match="stop it first"):
        restore_from(site.config, tmp_path / "copy.sqlite")
    site.service.close()
    text = restore_from(site.config, tmp_path / "copy.sqlite")
    assert "3 readings that came since the copy was made are gone" in text
    assert site.count() == 5
    with looking(site.database) as conn:
        assert ledger.verify(conn) == []
        entry = ledger.newest(conn, "restore")
        assert entry is not None
        assert (entry.seq, entry.body["replaced"]["hash"], entry.body["holds"]["hash"]) == (known.seq + 1, lost.hash, known.hash)
    assert verify_path(site.database, None, known.hash)[0] == 0
    code, told = verify_path(site.database, None, lost.hash)
    assert code == 1
    assert "is not among these records: another history, or one that was cut off" in told
    assert any("before-restore" in p.name for p in site.database.parent.iterdir()), "the old database is kept"
    site.open()
    site.send(1)
    assert site.count() == 6


def test_damaged_copy_is_not_put_in_place(site: Site, tmp_path: Path) -> None:
    """A copy with one changed value is refused, by a restore and by its rehearsal, and nothing is changed."""
    site.send(5)
    backup_to(site.config, tmp_path / "copy.sqlite")
    with closing(sqlite3.connect(tmp_path / "copy.sqlite")) as conn:
        conn.execute("DROP TRIGGER reading_no_update")
        conn.execute("UPDATE reading SET celsius = 3.0 WHERE seq = 2")
        conn.commit()
    site.service.close()
    for attempt in (restore_from, rehearse):
        with pytest.raises(RefusedError, match=r"(?s)does not verify, so nothing was changed.*open block: its readings \(arrivals 1 to 5"):
            attempt(site.config, tmp_path / "copy.sqlite")
    assert site.count() == 5


def test_verifying_writes_nothing(site: Site, tmp_path: Path) -> None:
    """A copy on a disk that cannot be written is verified, byte for byte as it was, with no file left beside it."""
    site.send(3)
    folder = tmp_path / "card"
    folder.mkdir()
    backup_to(site.config, folder / "copy.sqlite")
    before = (folder / "copy.sqlite").read_bytes()
    assert verify_path(folder / "copy.sqlite", None, None)[0] == 0
    assert (folder / "copy.sqlite").read_bytes() == before
    assert [p.name for p in folder.iterdir()] == ["copy.sqlite"]


def test_live_ledger_is_shown_to_be_the_site_s_by_its_key(site: Site, tmp_path: Path) -> None:
    """Each seal is signed over the history before it: the site's key holds, another does not, and stripped signatures show."""
    for _ in range(3):
        site.send(4)
        site.seal()
    code, told = verify_live(site.config, site.public, None)
    assert (code, "seals are signed with the key you gave" in told) == (0, True)
    assert verify_live(site.config, None, site.head().hash[:16])[0] == 0
    assert "give --key" in verify_live(site.config, None, None)[1]
    other = tmp_path / "other.pub"
    other.write_text("ab" * 32 + "\n")
    code, told = verify_live(site.config, other, None)
    assert code == 1
    assert "its signature is not that of the key you gave" in told
    with pytest.raises(InputError, match="write 16 to 64 hexadecimal digits"):
        verify_live(site.config, None, "abc")


def test_history_written_anew_without_the_key_is_found_by_the_key(site: Site, tmp_path: Path) -> None:
    """Somebody changes a record and hashes the rest anew: the chain is sound again, and no signature is."""
    from monitor import chain

    for _ in range(2):
        site.send(4)
        site.seal()
    site.service.close()
    with closing(sqlite3.connect(site.database)) as conn:
        conn.execute("DROP TRIGGER ledger_no_update")
        conn.execute("UPDATE ledger SET \"by\" = 'Somebody Else' WHERE seq = 1")
        previous = chain.GENESIS
        for seq, at, entered_at, kind, by, body in conn.execute(
            'SELECT seq, at, entered_at, kind, "by", body FROM ledger ORDER BY seq'
        ).fetchall():
            entry = {"seq": seq, "at": at, "entered_at": entered_at, "kind": kind, "by": by, "body": json.loads(body)}
            previous = chain.entry_hash(previous, entry)
            conn.execute("UPDATE ledger SET hash = ? WHERE seq = ?", (previous, seq))
        conn.execute("UPDATE tip SET ledger_hash = ?", (previous,))
        conn.commit()
    code, told = verify_path(site.database, site.public, None)
    assert code == 1
    assert "its signature is not that of the key you gave" in told


def test_one_reading_is_proven_by_a_file_of_its_own(site: Site, tmp_path: Path) -> None:
    """The proof holds with the site's key alone; a changed value, path, entry or signature is told."""
    site.send(9)
    at = site.now - 4 * SECOND
    with pytest.raises(LedgerError, match="is in no sealed block"):
        prove_reading(site.config, None, f"core-1@{format_instant(at)}", None)
    site.seal()
    text = prove_reading(site.config, None, f"core-1@{format_instant(at)}", tmp_path / "proof.json")
    assert "arrival 5 of the 9" in text
    code, told = verify_path(tmp_path / "proof.json", site.public, None)
    assert (code, "WRONG" in told) == (0, False)
    proof = json.loads((tmp_path / "proof.json").read_text())
    assert verify_path(tmp_path / "proof.json", site.public, proof["seal"]["hash"])[0] == 0
    changes = [
        lambda p: p["reading"].update(celsius=4.0), lambda p: p["path"].reverse(), lambda p: p.update(position=p["position"] + 1),
        lambda p: p["seal"].update(entered_at=p["seal"]["entered_at"] + 1), lambda p: p["seal"]["body"].update(root="00" * 32),
        lambda p: p.update(before="11" * 32), lambda p: p["seal"]["body"].update(signature="22" * 64), lambda p: p.pop("path"),
    ]  # fmt: skip
    for n, change in enumerate(changes):
        other = json.loads(json.dumps(proof))
        change(other)
        path = tmp_path / f"proof-{n}.json"
        path.write_text(json.dumps(other))
        assert verify_path(path, site.public, None)[0] == 1, n
    with pytest.raises(InputError, match="has no reading at"):
        prove_reading(site.config, None, f"core-1@{format_instant(at + HOUR)}", None)
    with pytest.raises(InputError, match="write probe@time, such as"):
        prove_reading(site.config, None, "core-1", None)


def test_proof_out_of_a_copy_is_the_proof_out_of_the_store(site: Site, tmp_path: Path) -> None:
    """A second copy proves a reading as well, also once retention took it from the store."""
    site.send(5)
    site.seal()
    backup_to(site.config, tmp_path / "copy.sqlite")
    which = f"core-1@{format_instant(START + 2 * SECOND)}"
    assert prove_reading(site.config, None, which, None) == prove_reading(site.config, tmp_path / "copy.sqlite", which, None)


def test_old_revision_is_verified_without_being_changed(site: Site, tmp_path: Path) -> None:
    """A copy made by an older version is brought up to date beside, not in place."""
    from monitor.store import migrations
    from monitor.store.database import Store

    old = tmp_path / "old.sqlite"
    store = Store(old)
    with store.write_engine.connect() as conn:
        migrations.upgrade(conn, str(old), "0001")
    store.close()
    shutil.copy(old, tmp_path / "kept.sqlite")
    assert verify_path(old, None, None)[0] == 0
    with closing(sqlite3.connect(old)) as conn:
        assert conn.execute("SELECT version_num FROM alembic_version").fetchone() == ("0001",)
