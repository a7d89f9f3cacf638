"""Commands that work on the store or an export without the service: each answers with text for a person."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.clock import SystemClock
from monitor.config import Config, load_config
from monitor.errors import InputError, RefusedError

if TYPE_CHECKING:
    from monitor.store.database import Store

#: How long a command waits for its turn to write: longer than a service's group, which may be a backlog's thousands of rows on a slow card.
WAIT_S = 30.0


def store_of(config: Config, *, create: bool = False) -> Store:
    """The site's store, not yet open."""
    from monitor.store.database import Store

    return Store(config.store_url.reveal() or config.data / "larderer.sqlite", create, busy_timeout_s=WAIT_S)


def made(config: Config) -> bool:
    """Whether there can be a store to read: a server's database is taken to be there, a file is looked for."""
    store = store_of(config)
    return not store.on_file or store.path.exists()


@contextmanager
def opened(config: Config, *, create: bool = False) -> Iterator[Store]:
    """The store, open; InputError where there is none and none is to be made."""
    store = store_of(config, create=create)
    if not create and store.on_file and not store.path.exists():
        raise InputError(f"{store.path} does not exist; run the service once, or name its configuration with --config")
    with store:
        yield store


@contextmanager
def alone(config: Config) -> Iterator[None]:
    """Refuse while the service holds its data folder."""
    import fcntl

    config.data.mkdir(parents=True, exist_ok=True)
    with open(config.data / "service.lock", "w", encoding="utf-8") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise RefusedError(f"the service is running on {config.data}; stop it first (systemctl stop larderer)") from None
        yield


def export_one(config_path: Path, day: str, to: Path | None = None) -> str:
    """Export a local day in its own process; where the folder is, and where its copy."""
    done = subprocess.run(
        [sys.executable, "-m", "monitor.export", "--config", str(config_path), day], stdout=subprocess.PIPE, text=True, check=False
    )
    if done.returncode != 0:
        sys.exit(done.returncode)
    where = done.stdout.strip()
    if to is None:
        return where
    from monitor.export.sent import copy_to

    return f"{where}\n{copy_to(Path(where), to)}"


def verify_live(config_path: Path, key: Path | None, head: str | None) -> tuple[int, str]:
    """Verify the live ledger of the configured store, whichever engine keeps it: exit code and text."""
    from monitor.export.check import check_live

    with opened(load_config(config_path, check_bells=False)) as store:
        outcome = check_live(store, head, key)
    return (1 if outcome.wrong else 0), "\n".join(outcome.lines())


def verify_path(path: Path, key: Path | None, head: str | None) -> tuple[int, str]:
    """Verify an export folder, or the live ledger where `path` is a database file or its folder: exit code and text."""
    from monitor.export.check import check_path

    if not path.exists():
        raise InputError(f"{path} does not exist; write an export folder or the database file")
    outcome = check_path(path, key, head)
    return (1 if outcome.wrong else 0), "\n".join(outcome.lines())


def prove_reading(config_path: Path, path: Path | None, reading: str, out: Path | None) -> str:
    """Write the proof that one reading is in a sealed block; the text says what it shows. From a database file, or the configured store."""
    from monitor import proof
    from monitor.store.looking import looking

    probe, at = proof.parse_which(reading)
    if path is None:
        with opened(load_config(config_path, check_bells=False)) as store, store.read() as conn:
            made_of = proof.make(conn, probe, at)
    elif path.is_file():
        with looking(path) as conn:
            made_of = proof.make(conn, probe, at)
    else:
        raise InputError(f"{path} is no database file; name one, or leave it out for the live store")
    lines = proof.check(made_of).lines()
    if out is not None:
        try:
            proof.write(made_of, out)
        except FileExistsError:
            raise RefusedError(f"{out} exists already; write another name") from None
        lines.append(f"{out} written. Whoever has it checks it with: larderer verify {out.name} --key site.pub")
    return "\n".join(lines)


def import_file(config_path: Path, file: Path) -> str:
    """Put a logger's readings into the store, judged when the service starts next."""
    from collections import Counter

    from monitor.calibrations import Offsets
    from monitor.judge import read_plan
    from monitor.outcomes import Sorting
    from monitor.store import readings
    from probes.csv_replay import read_csv_file
    from rules.quantity import format_instant

    config = load_config(config_path, check_bells=False)
    plan = read_plan(config.plan)
    items = read_csv_file(file, [p.id for p in plan.probes], [p.id for p in plan.probes if p.place == "humidity"])
    now = SystemClock()()
    with alone(config), opened(config, create=True) as store, store.write(alone=True) as conn:
        from monitor import late, ledger

        newest = {probe: found.at for probe, found in readings.newest_by_probe(conn).items()}
        sorting = Sorting(newest, frozenset(p.id for p in plan.probes), Offsets.read(conn).at)
        outcomes = Counter(o.what for o in sorting.look(conn, items, now))
        too_late = [one for one in readings.store(conn, sorting.arrivals) if one.too_late]
        if too_late:
            late.add_too_late(conn, too_late)
        ledger.append(conn, "import", {"file": file.name, "rows": len(items), **dict(outcomes)}, now)
    told = ", ".join(f"{n} {what}" for what, n in sorted(outcomes.items()))
    text = f"{file.name}: {len(items)} rows read; {told or 'nothing new'}. They are judged when the service starts."
    if too_late:
        first = format_instant(min(one.item.at for one in too_late))
        text += (
            f" {len(too_late)} of them are more than 48 h old: those are judged once somebody asks for it, "
            f"under Late readings on the page or with: larderer rejudge --since {first}"
        )
    return text


def add_user(config_path: Path, name: str, role: str) -> str:
    """Add a person or a device; the code or token that is shown once."""
    from monitor import people

    config = load_config(config_path, check_bells=False)
    now = SystemClock()()
    with opened(config, create=True) as store, store.write() as conn:
        if role in ("probe", "metrics"):
            token = people.add_device(conn, name, role, now, by="command line")
            return f"Device {name}. Its token, shown this once (send it as Authorization: Bearer …):\n{token}"
        people.add_person(conn, name, role, now, by="command line")
        code = people.invite(conn, name, now, by="command line")
    return f"{name} ({role}). Code for the first sign-in, shown this once:\n{code}"


def list_users(config_path: Path) -> str:
    """Who may sign in."""
    from monitor import people

    config = load_config(config_path, check_bells=False)
    with opened(config) as store, store.read() as conn:
        rows = people.list_people(conn)
    return "\n".join(f"{row['name']}  {row['role']}" for row in rows) or "Nobody yet."


def test_bells(config_path: Path, only: str | None) -> tuple[int, str]:
    """Ring every bell once; exit code 1 where one did not ring."""
    from monitor.alarms.bells import Outcome, ring_test
    from monitor.judge import read_plan
    from monitor.publish import Publisher

    config = load_config(config_path)
    site = read_plan(config.plan).site
    publisher = Publisher(config.mqtt, f"larderer-{site.id}-test") if config.mqtt is not None else None
    try:
        results = ring_test(config, only, publisher, site.name)
    finally:
        if publisher is not None:
            publisher.close()
    lines = [f"{r.bell}: {r.outcome.value}{f' ({r.text})' if r.text else ''}" for r in results]
    bad = any(r.outcome is not Outcome.DELIVERED for r in results)
    return (1 if bad else 0), "\n".join(lines) or "There are no bells; add [[bell]] to the configuration."
