"""`larderer backup` and `larderer restore`: second copies, read back before they count, and tried out before they are needed."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, Final

from monitor.clock import SystemClock
from monitor.commands.offline import alone, made, opened, store_of, verify_path
from monitor.config import Config, load_config
from monitor.errors import InputError, MonitorError, RefusedError, StoreError
from rules.quantity import format_instant

if TYPE_CHECKING:
    from monitor.copies import State
    from monitor.store.database import Store

_TRYING: Final = ".larderer-rehearsal-"


def backup_to(config_path: Path, target: Path) -> str:
    """Copy the database while the service runs, read the whole copy back, and note it in the ledger."""
    from monitor import copies, ledger
    from monitor.export.verify import file_hash
    from monitor.store.looking import looking

    config = load_config(config_path, check_bells=False)
    if target.exists():
        raise RefusedError(f"{target} exists already; write another name, backups are never overwritten")
    with opened(config) as store:
        copy = store.backup(target)
        code, text = verify_path(copy, None, None)
        if code:
            raise MonitorError(f"the copy {copy} does not verify:\n{text}")
        with looking(copy) as conn:
            body = {"file": target.name, "bytes": copy.stat().st_size, "sha256": file_hash(copy), "holds": copies.state(conn).as_json()}
        noted = ""
        try:
            now = SystemClock()()
            with store.write() as conn:
                ledger.append(conn, copies.BACKUP, body, now, entered_at=now)
        except StoreError as error:
            noted = f"\nIt could not be noted in the ledger ({error}); the copy is good all the same."
    return f"{copy} written ({copy.stat().st_size / 1e6:.1f} MB) and read back.\n{text}{noted}"


def restore_from(config_path: Path, source: Path) -> str:
    """Put a verified backup in place; the old file is kept beside it, and a server's database has to be empty."""
    config = load_config(config_path, check_bells=False)
    _sound(source)
    now = SystemClock()()
    with alone(config):
        holds = _state_of(source)
        replaced, told = _in_use(config, holds)
        body = {"from": source.name, "holds": holds.as_json(), "replaced": replaced}
        target = store_of(config, create=True)
        if not target.on_file:
            _restore_into(target, source, body, now)
            return f"{source} is copied into {target.where}; the restore is in the ledger."
        kept = _put_in_place(target.path, source, body, now)
    return f"{source} is in place of {target.path}; the restore is in the ledger.{kept} {told}".rstrip()


def rehearse(config_path: Path, source: Path) -> str:
    """Try a backup out in a folder of its own: read whole, brought up to date, judged from. Nothing in use is touched."""
    from monitor import copies, ledger
    from monitor.commands.day_again import judge_again

    config = load_config(config_path, check_bells=False)
    text = _sound(source)
    holds = _state_of(source)
    with _taken_out(config, source) as copy:
        lots = _judged(config, copy)
        day = judge_again(copy, holds.newest)
    told = [text, f"Judging goes on from it: {', '.join(lots) or 'no lot'} open."]
    told.append(f"The day {day} was judged again from it, as it was found then." if day else "It holds no whole day to be judged again.")
    newest = "nothing" if holds.newest is None else f"readings up to {format_instant(holds.newest)}"
    told.append(f"It holds {newest}, {holds.arrived} in all, and {holds.seq} records.")
    if made(config):
        now = SystemClock()()
        with opened(config) as store:
            with store.read() as conn:
                told.append(copies.lost_by(conn, holds))
            with store.write() as conn:
                ledger.append(conn, copies.REHEARSAL, {"from": source.name, "holds": holds.as_json(), "day": day}, now, entered_at=now)
    return "\n".join([*told, "Nothing was changed. To put it in place: stop the service, then larderer restore FILE."])


def _sound(source: Path) -> str:
    if not source.is_file():
        raise InputError(f"{source} is no file; write the path of a backup")
    code, text = verify_path(source, None, None)
    if code:
        raise RefusedError(f"{source} does not verify, so nothing was changed:\n{text}")
    return text


def _state_of(source: Path) -> State:
    from monitor import copies
    from monitor.store.looking import looking

    with looking(source) as conn:
        return copies.state(conn)


def _in_use(config: Config, holds: State) -> tuple[dict[str, Any] | None, str]:
    """The state of the database that is to be replaced, and what is lost with it; none where there is none or it cannot be read."""
    from monitor import copies

    if not made(config):
        return None, ""
    try:
        with opened(config) as store, store.read() as conn:
            return copies.state(conn).as_json(), copies.lost_by(conn, holds).replace("would be gone", "are gone")
    except MonitorError as error:
        return {"unreadable": str(error)}, ""


def _put_in_place(path: Path, source: Path, body: dict[str, Any], now: int) -> str:
    """Make the new file ready beside the old one, whole and on the disk, then exchange them; says where the old one is."""
    from monitor import copies, ledger
    from monitor.store.database import Store

    path.parent.mkdir(parents=True, exist_ok=True)
    ready = path.with_name(f"{path.name}.restoring")
    for extra in ("", "-wal", "-shm", "-journal"):
        Path(f"{ready}{extra}").unlink(missing_ok=True)
    shutil.copyfile(source, ready)
    with Store(ready) as store, store.write() as conn:
        ledger.append(conn, copies.RESTORE, body, now, entered_at=now)
    with open(ready, "rb") as file:
        os.fsync(file.fileno())
    kept = ""
    if path.exists():
        aside = path.with_name(f"{path.name}.before-restore-{now}")
        os.replace(path, aside)
        for extra in ("-wal", "-shm"):
            if Path(f"{path}{extra}").exists():
                os.replace(f"{path}{extra}", f"{aside}{extra}")
        kept = f" The database before it is kept as {aside.name}."
    os.replace(ready, path)
    return kept


def _restore_into(target: Store, source: Path, body: dict[str, Any], now: int) -> None:
    """Copy a backup into the empty database of a server, with the note of it, in one transaction."""
    from monitor import copies, ledger
    from monitor.store.copying import copy_rows
    from monitor.store.looking import looking

    with looking(source) as old, target, target.write(alone=True) as conn:
        copy_rows(old, conn)
        ledger.append(conn, copies.RESTORE, body, now, entered_at=now)


@contextmanager
def _taken_out(config: Config, source: Path) -> Iterator[Path]:
    """A copy of a backup to be written to: beside it, else in the data folder; a system's own temporary folder may be memory."""
    from monitor.export.day import alive

    beside = source.resolve().parent
    home = beside if os.access(beside, os.W_OK) else config.data if config.data.is_dir() else None
    if home is not None:
        for old in home.glob(f"{_TRYING}*"):
            owner = old.name.removeprefix(_TRYING).split("-")[0]
            if not owner.isdigit() or not alive(int(owner)):  # of a power cut
                shutil.rmtree(old, ignore_errors=True)
    with TemporaryDirectory(prefix=f"{_TRYING}{os.getpid()}-", dir=home) as folder:
        yield Path(shutil.copyfile(source, Path(folder) / "rehearsal.sqlite"))


def _judged(config: Config, copy: Path) -> list[str]:
    """The lots that are open once a service has started on this file, which is brought up to date."""
    from monitor.judge import read_plan
    from monitor.judging import Judging
    from monitor.store.database import Store

    judging = Judging(read_plan(config.plan))
    with Store(copy, create=False) as store, store.write() as conn:
        now = SystemClock()()
        judging.adopt(conn, judging.plan, now)
        judging.ready(conn, now)
    return sorted(lot.id for lot in judging.engine.lots.values() if lot.ended is None)
