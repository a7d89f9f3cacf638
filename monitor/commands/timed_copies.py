"""Copies that are made and tried out by themselves, in the folder that `[backup]` names: what the timers of deploy/ start."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Final

from monitor.clock import SystemClock
from monitor.commands.copying import backup_to, rehearse
from monitor.commands.offline import made, opened, store_of
from monitor.config import Config, load_config
from monitor.errors import InputError, MonitorError, RefusedError, StoreUnavailable
from probes.errors import ProbeError
from rules.errors import RulesError
from rules.quantity import local

_SPARE_MB: Final = 50
#: Said where a timer has nothing to do.
NOTHING: Final = "No copy is made by itself: larderer.toml has no [backup] folder."


def wanted(config_path: Path) -> bool:
    """Whether the configuration names a folder for copies."""
    return load_config(config_path, check_bells=False).backup.folder is not None


def copy_now(config_path: Path) -> str:
    """Make a copy in the folder of `[backup]` under this moment's name; the newest `keep` copies stay, the others are named.

    One that does not verify takes none of their places.
    """
    config = load_config(config_path, check_bells=False)
    folder, site = _folder(config), _site(config)
    for half in folder.glob(f"larderer-{site}-*.sqlite.part"):  # of a power cut
        half.unlink(missing_ok=True)
    _room(config, folder)
    target = folder / f"larderer-{site}-{local(SystemClock()()):%Y%m%dT%H%M%SZ}.sqlite"
    try:
        text = backup_to(config_path, target)
    except MonitorError as error:
        if not target.exists():
            raise
        # It may be all there is of what came since the last good copy, so one stays; the timer would fill the disk with them.
        kept = folder / f"larderer-{site}-not-verified.sqlite"
        target.replace(kept)
        raise MonitorError(f"{error}\nIt is kept as {kept}; the copies before it stay.") from error
    # One made on a board whose clock was wrong may bear an older name than those before it.
    others = [file for file in copies_in(folder, site) if file != target]
    gone = others[: max(0, len(others) + 1 - config.backup.keep)]
    for file in gone:
        file.unlink()
    return "\n".join([text, *(f"{file} deleted: the {config.backup.keep} newest copies stay." for file in gone)])


def try_newest(config_path: Path) -> tuple[int, str]:
    """Try the newest copy of the folder out: exit code and text. What is wrong with it goes into the ledger, from where it rings.

    A disk that is not in, or has no room to try it out, says nothing of the copy: that is raised.
    """
    config = load_config(config_path, check_bells=False)
    folder, site = _folder(config), _site(config)
    found = copies_in(folder, site)
    try:
        if not found:
            raise RefusedError(f"there is no copy of {site} in {folder}")
        return 0, rehearse(config_path, found[-1])
    except StoreUnavailable:
        raise
    except (MonitorError, ProbeError, RulesError) as error:
        wrong = str(error)
        return 1, f"{wrong}\n{_noted(config, found[-1].name if found else '', wrong)}"


def copies_in(folder: Path, site: str) -> list[Path]:
    """The copies of a site that are there, oldest first."""
    return sorted(folder.glob(f"larderer-{site}-*T*Z.sqlite"))


def _folder(config: Config) -> Path:
    from monitor.export.onward import is_in

    folder = config.backup.folder
    if folder is None:
        raise InputError(f'{config.path.name} has no folder for copies; write [backup] and folder = "/media/records", or name a file')
    if not is_in(folder):
        raise RefusedError(f"the folder for copies {folder} is not there; put the disk in, or make the folder")
    return folder


def _site(config: Config) -> str:
    from monitor.judge import read_plan

    return read_plan(config.plan).site.id


def _room(config: Config, folder: Path) -> None:
    """Refuse where a copy would not fit; for records on a server nothing is known before it is made."""
    store = store_of(config)
    if store.on_file and store.path.exists():
        files = [store.path, store.path.with_name(f"{store.path.name}-wal")]
        needed = sum(file.stat().st_size for file in files if file.exists()) // 1_000_000 + _SPARE_MB
        free = shutil.disk_usage(folder).free // 1_000_000
        if free < needed:
            raise RefusedError(f"a copy needs {needed} MB, and {free} MB are free at {folder}; make room there, or lower [backup] keep")


def _noted(config: Config, name: str, wrong: str) -> str:
    from monitor import copies, ledger

    if not made(config):
        return "There are no records here, so nothing was noted."
    now = SystemClock()()
    with opened(config) as store, store.write() as conn:
        ledger.append(conn, copies.REHEARSAL, {"from": name, "failed": wrong}, now, entered_at=now)
    return "It is noted in the ledger, and the service rings."
