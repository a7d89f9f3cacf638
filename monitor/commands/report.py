"""`larderer report`: what somebody who helps from afar has to know, in one file, without a secret in it.

A report is wanted most where something is broken, so each part stands for itself: what cannot be read is told in its place.
Nothing is written to the store.
"""

from __future__ import annotations

import io
import json
import os
import platform
import shutil
import sqlite3
import ssl
import subprocess
import sys
import time
import tomllib
import urllib.error
import urllib.request
import zipfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from importlib.metadata import PackageNotFoundError, distributions, version
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection, func, select
from sqlalchemy.exc import SQLAlchemyError

from monitor.clock import SystemClock
from monitor.commands.blanking import Secrets, blanked
from monitor.config import Config, load_config
from monitor.errors import ConfigError, InputError, MonitorError, RefusedError, StoreVersion
from rules.errors import RulesError
from rules.quantity import format_instant

_ABOUT: Final = {
    "versions.json": "this program, Python, the libraries and the system, each with its version",
    "configuration.json": "the configuration; every secret and every address in it is ***, remarks are left out",
    "mistakes.txt": "what the program finds wrong with the configuration; nothing where this is empty",
    "plan.toml": "the plan, with its remarks",
    "health.json": "what the running service says of itself, and what systemd says of it",
    "counts.json": "how many rows each table has, each probe's newest reading, the newest copy",
    "alarms.json": "the alarms that are open",
    "integrity.json": "whether the database file and the newest end of the ledger hold (larderer verify checks all of it)",
    "disk.json": "room on the disk of the records, and what takes it",
    "clock.json": "what the clock shows, and who keeps it right",
    "log.txt": "the last lines of the service's log",
}
_LINES: Final = 600
_PATIENCE_S: Final = 10
_TROUBLE: Final = (MonitorError, RulesError, OSError, SQLAlchemyError, sqlite3.Error, subprocess.SubprocessError, ValueError)


def write_report(config_path: Path, target: Path | None) -> str:
    """Write the report to `target` (default: a new name in this folder); what is in it, as text for a person.

    Raises ConfigError where there is no configuration to read, RefusedError for a file that is there already.
    """
    values = _values(config_path)
    now = SystemClock()()
    stamp = format_instant(now)[:19].replace("-", "").replace(":", "")
    target = target if target is not None else Path(f"larderer-report-{stamp}.zip")
    if target.exists():
        raise RefusedError(f"{target} exists already; write another name, reports are never overwritten")
    if not target.parent.is_dir():
        raise InputError(f"{target.parent} is no folder; write a file name in a folder that is there")
    parts = _parts(config_path, values, format_instant(now))
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as file:
        for name, text in parts.items():
            file.writestr(name, text)
    with target.open("xb") as out:
        out.write(packed.getvalue())
    return f"{target} written ({len(packed.getvalue()) / 1000:.0f} kB).\n{parts['CONTENTS.txt']}"


def _values(path: Path) -> Mapping[str, Any]:
    """The configuration as written. One that is no TOML is refused: what in it is a secret could not be told."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise ConfigError([f"{path}: cannot be read ({error.strerror}); name the service's configuration with --config"]) from error
    except UnicodeDecodeError as error:
        raise ConfigError(
            [f"{path.name}: is not UTF-8 at byte {error.start}; save it as UTF-8 text, then ask for the report again"]
        ) from error
    except tomllib.TOMLDecodeError as error:
        raise ConfigError([f"{path.name}: is not TOML: {error}; mend that line, then ask for the report again"]) from error


def _parts(path: Path, values: Mapping[str, Any], now: str) -> dict[str, str]:
    """Every part by its name, each without a secret."""
    folder = path.resolve().parent
    data = folder / Path(str(values.get("data", "data"))).expanduser()
    secrets = Secrets(values, folder, data / "keys")
    config, mistakes = _loaded(path)
    plan = folder / Path(str(values.get("plan", "plan.toml"))).expanduser()
    made: dict[str, Callable[[], Any]] = {
        "versions.json": _versions,
        "configuration.json": lambda: blanked(values),
        "mistakes.txt": lambda: mistakes,
        "plan.toml": lambda: plan.read_text(encoding="utf-8", errors="replace"),
        "health.json": lambda: _health(config),
        "counts.json": lambda: _stored(config, _counts),
        "alarms.json": lambda: _stored(config, _alarms),
        "integrity.json": lambda: _stored(config, _integrity),
        "disk.json": lambda: _disk(data),
        "clock.json": lambda: _clock(config),
        "log.txt": lambda: last_lines(secrets.unread),
    }
    found: dict[str, str] = {}
    for name, make in made.items():
        try:
            what = make()
        except _TROUBLE as error:
            what = f"NOT READ: {error}"
        what = secrets.out_of(what)
        # Once more as it will stand there: a secret may have come together only by being written out.
        found[name] = secrets.out_of(what if isinstance(what, str) else json.dumps(what, indent=1, ensure_ascii=False, default=str)) + "\n"
    missing = [name for name, text in found.items() if text.startswith("NOT READ")]
    return {"CONTENTS.txt": _contents(now, missing)} | found


def _contents(now: str, missing: list[str]) -> str:
    lines = [f"A report on a Larderer, made {now}. Nothing was sent to anybody, and nothing was changed.", ""]
    lines += [f"  {name:19} {'NOT READ, the reason is in it: ' if name in missing else ''}{about}" for name, about in _ABOUT.items()]
    lines += [
        "",
        "No password, token, key, PIN, bell address or mail address of this site is in it, so it may be handed on to whoever helps.",
        "It does name people, products, probes and lots, and holds the plan with its remarks: look through it first where those are",
        "nobody else's business.",
    ]
    return "\n".join(lines)


def _loaded(path: Path) -> tuple[Config | None, str]:
    try:
        return load_config(path, check_bells=False), ""
    except ConfigError as error:
        return None, str(error)


# ---- the parts -------------------------------------------------------------------------------------------------------


def _versions() -> dict[str, Any]:
    try:
        ours = version("larderer")
    except PackageNotFoundError:
        ours = "not installed"
    libraries = {one.metadata["Name"]: one.version for one in distributions()}
    return {
        "larderer": ours,
        "installed": Path(sys.prefix).resolve().name,
        "python": sys.version,
        "sqlite": sqlite3.sqlite_version,
        "system": platform.platform(),
        "machine": platform.machine(),
        "os": platform.freedesktop_os_release().get("PRETTY_NAME", "") if Path("/etc/os-release").exists() else "",
        "processors": os.cpu_count(),
        "libraries": dict(sorted(libraries.items())),
    }


def _health(config: Config | None) -> dict[str, Any]:
    told: dict[str, Any] = {"systemd": _systemd()}
    if config is None:
        return told | {"service": "not asked: the configuration has mistakes"}
    server = config.server
    if not server.port:
        return told | {"service": "not asked: its port is any free one"}
    host = {"0.0.0.0": "127.0.0.1", "::": "[::1]"}.get(server.host, server.host)
    # Its certificate is for the name that people use; here it is only asked how it is, on this machine.
    own = ssl._create_unverified_context() if server.tls_cert else None
    handlers: list[Any] = [urllib.request.ProxyHandler({}), *([urllib.request.HTTPSHandler(context=own)] if own else [])]
    where = f"{'https' if server.tls_cert else 'http'}://{host}:{server.port}/api/v1/health"
    try:
        with urllib.request.build_opener(*handlers).open(where, timeout=_PATIENCE_S) as answer:
            return told | {"service": json.loads(answer.read())}
    except urllib.error.HTTPError as error:
        with error:
            return told | {"service": f"answers {error.code}: {error.read(2000).decode('utf-8', 'replace')}"}
    except OSError as error:
        return told | {"service": f"does not answer on port {server.port} of {host}: {error}"}


def _systemd() -> dict[str, str] | str:
    if shutil.which("systemctl") is None:
        return "no systemd here"
    wanted = "ActiveState,SubState,Result,NRestarts,ExecMainStatus,ExecMainStartTimestamp,MemoryCurrent,CPUUsageNSec"
    done = subprocess.run(
        ["systemctl", "show", "larderer", f"--property={wanted}"], capture_output=True, text=True, timeout=_PATIENCE_S, check=False
    )
    if done.returncode:
        return done.stderr.strip()
    return {key: value for key, _, value in (line.partition("=") for line in done.stdout.splitlines())}


@contextmanager
def _reading(config: Config) -> Iterator[Connection]:
    """One state of the store, however it is kept; an older one is not brought up to date."""
    from monitor.commands.offline import store_of
    from monitor.store import migrations
    from monitor.store.looking import looking

    store = store_of(config)
    if store.on_file:
        if not store.path.exists():
            raise InputError(f"{store.path} does not exist; the service has not run yet, or data names another folder")
        with looking(store.path) as conn:
            yield conn
        return
    try:
        with store.read() as conn:
            if (found := migrations.current(conn)) != migrations.HEAD:
                raise StoreVersion(f"the store is at revision {found or 'none'}, and this program reads {migrations.HEAD}")
            yield conn
    finally:
        store.close()


def _stored(config: Config | None, read: Callable[[Connection], Any]) -> Any:
    if config is None:
        raise InputError("the configuration has mistakes (mistakes.txt), so it is not known where the records are")
    with _reading(config) as conn:
        return read(conn)


def _counts(conn: Connection) -> dict[str, Any]:
    from sqlalchemy import inspect

    from monitor import copies
    from monitor.store import migrations, readings
    from monitor.store.metadata import metadata

    there = set(inspect(conn).get_table_names())
    rows = {
        name: conn.execute(select(func.count()).select_from(table)).scalar() for name, table in metadata.tables.items() if name in there
    }
    newest = {probe: format_instant(one.at) for probe, one in readings.newest_by_probe(conn).items()}
    copy = copies.newest(conn)
    return {
        "revision": migrations.current(conn),
        "rows": dict(sorted(rows.items())),
        "newest_reading": newest,
        "newest_copy": None if copy is None else format_instant(copy),
        "state": copies.state(conn).as_json(),
    }


def _alarms(conn: Connection) -> list[dict[str, Any]]:
    from monitor.alarms.listing import open_alarms

    return open_alarms(conn)


def _integrity(conn: Connection) -> dict[str, Any]:
    from monitor import ledger
    from monitor.store.looking import quick_check

    file = quick_check(conn)
    return {"file": file or "holds", "ledger_end": ledger.verify_end(conn) or "holds"}


def _disk(data: Path) -> dict[str, Any]:
    room = shutil.disk_usage(data)
    sizes = {
        str(one.relative_to(data)) + ("/" if one.is_dir() else ""): sum(f.stat().st_size for f in one.rglob("*") if f.is_file())
        if one.is_dir()
        else one.stat().st_size
        for one in sorted(data.iterdir())
    }
    return {"total_bytes": room.total, "free_bytes": room.free, "writable": os.access(data, os.W_OK), "bytes": sizes}


def _clock(config: Config | None) -> dict[str, Any]:
    from monitor.clock_board import boot_id, remembered, set_from_battery
    from monitor.clock_trust import clock_is_kept

    told: dict[str, Any] = {
        "now": format_instant(SystemClock()()),
        "zone": list(time.tzname),
        "kept_right": clock_is_kept(),
        "set_from_battery": set_from_battery(),
        "up_s": round(time.clock_gettime(time.CLOCK_BOOTTIME)),
        "boot": boot_id(),
    }
    try:
        boot = _stored(config, remembered)
    except _TROUBLE as error:
        return told | {"service": f"NOT READ: {error}"}
    if boot is None:
        return told | {"service": "it remembers no boot"}
    return told | {"service": {"boot": boot.id, "provisional": boot.provisional, "since": format_instant(boot.since)}}


def last_lines(unread: list[str]) -> str:
    """The end of the service's log; InputError where a secret's file is `unread`, as it might then be in it."""
    if unread:
        how = "ask again with it set" if unread[0].startswith("the variable") else "ask again with sudo"
        raise InputError(f"{unread[0]} cannot be read, so it could not be seen that nothing of it is in the log; {how}")
    if shutil.which("journalctl") is None:
        return "There is no journalctl here."
    done = subprocess.run(
        ["journalctl", "--unit=larderer", f"--lines={_LINES}", "--no-pager", "--output=short-iso"],
        capture_output=True, text=True, errors="replace", timeout=6 * _PATIENCE_S, check=False,
    )  # fmt: skip
    return done.stdout.strip() or f"journalctl shows nothing: {done.stderr.strip() or 'no lines'}; ask again with sudo"
