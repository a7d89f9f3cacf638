"""What becomes of a day's export once it is made: a copy in the folder or on the disk that `[export]` names, and word of it.

What is owed is read from the exports that are there, from the disk and from the ledger, so that a disk that was out, a power cut between
the export and its word, or a program that was down is made up for later, and nothing is told twice.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, Final, NamedTuple

from sqlalchemy import Connection

from monitor import ledger
from monitor.alarms import store_causes
from monitor.alarms.alarms import Alarms
from monitor.alarms.causes import Cause
from monitor.alarms.ladder import Ladder
from monitor.alarms.listing import open_rows
from monitor.alarms.outbox import Target
from monitor.config import Config
from monitor.export.wording import day_verdict
from monitor.log import get_logger
from monitor.store.database import Store
from monitor.store.writer import Writer
from rules.errors import QuantityError
from rules.plan import Site
from rules.quantity import parse_instant
from rules.reading import HOUR, Instant, Span

log = get_logger(__name__)
#: The ledger's kind of an entry that says who was told of an export.
KIND: Final = "export"
#: Exports made so far back are brought to a disk that lacks them; older ones a person copies.
COPIED_BACK: Span = 31 * 24 * HOUR
#: Where nobody was ever told before, exports made before that are no news.
TOLD_BACK: Span = 24 * HOUR
#: Where removable and other passing disks are put in (Filesystem Hierarchy Standard 3.0, on /media and /mnt; `/run/media` by
#: common practice, no source). A folder there with nothing mounted on it lies on the system's own disk.
DISK_ROOTS: Final = (Path("/media"), Path("/mnt"), Path("/run/media"))
_LONGEST_S: Final = 1800


class Made(NamedTuple):
    """A whole day's export that is there."""

    path: Path
    day: str
    revision: int
    made_at: Instant
    manifest: Mapping[str, Any]


class Onward:
    """Copies and tells what is owed of one site's exports; `go` from the thread that makes them."""

    def __init__(self, config: Config, site: Site, store: Store, writer: Writer, alarms: Alarms) -> None:
        self._config, self._site, self._store, self._writer, self._alarms = config, site, store, writer, alarms
        self._ladder = Ladder(config, site, None)
        self._known: dict[str, Made | None] = {}  # by the folder's name; None: not of a whole day, so neither copied nor told
        self._process: subprocess.Popen[str] | None = None
        self._closed = False

    @property
    def wanted(self) -> bool:
        """Whether the configuration asks for anything here."""
        return self._config.export.copy_to is not None or bool(self._config.export.tell)

    def go(self, now: Instant) -> None:
        """Copy and tell everything owed by now. A disk that is not in, or fails, rings; the word goes out all the same."""
        made = self._made()
        target = self._config.export.copy_to
        if target is not None:
            self._copy(target, [one for one in made if one.made_at > now - COPIED_BACK], now)
        if self._config.export.tell and not self._closed:
            self._writer.submit(lambda conn: self._tell(conn, made, now)).result()

    def close(self) -> None:
        """End a copy that is being made; nothing half stays behind as long as the disk can be written, and it is owed still."""
        self._closed = True
        process = self._process
        if process is not None:
            process.terminate()

    def _made(self) -> list[Made]:
        """Every whole day's export that is there, in the order in which they were made."""
        home = self._config.data / "exports" / self._site.id
        names = {p.name for p in home.glob("[0-9]*") if p.is_dir()} if home.is_dir() else set()
        self._known = {name: one for name, one in self._known.items() if name in names}
        for name in names - self._known.keys():
            self._known[name] = _read(home / name)
        return sorted((one for one in self._known.values() if one is not None), key=lambda one: (one.made_at, one.path.name))

    # ---- the copy ----

    def _copy(self, target: Path, made: Iterable[Made], now: Instant) -> None:
        missing = [one for one in made if not _same(one.path, target / self._site.id / one.path.name)]
        wrong = f"{target} is not there; put the disk in" if missing and not is_in(target) else ""
        for one in missing:
            if wrong or self._closed:
                break
            wrong = self._run(one.path, target)
            (log.error if wrong else log.info)("export copied", day=one.day, text=wrong or str(target))
        if self._closed:
            return
        owed = sum(not _same(one.path, target / self._site.id / one.path.name) for one in missing)
        self._writer.submit(
            lambda conn: self._ring(conn, store_causes.exports_not_copied(now, owed, wrong) if wrong else None, now)
        ).result()

    def _run(self, export: Path, target: Path) -> str:
        """Copy in a process of its own, since reading a copy back takes what judging needs; what was wrong."""
        command = [sys.executable, "-m", "monitor.export.sent", str(export), str(target)]
        with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True) as process:
            self._process = process
            try:
                _, said = process.communicate(timeout=_LONGEST_S)
            except subprocess.TimeoutExpired:
                process.kill()
                return f"the copy of {export.name} has taken longer than {_LONGEST_S // 60} min and was given up; try another disk"
            finally:
                self._process = None
        lines = said.strip().splitlines()
        return "" if process.returncode == 0 else lines[-1] if lines else f"the copy of {export.name} failed"

    def _ring(self, conn: Connection, cause: Cause | None, now: Instant) -> None:
        rows = open_rows(conn, store_causes.EXPORT_COPY)
        if cause is None:
            if rows:
                self._alarms.clear(conn, store_causes.EXPORT_COPY, now)
        elif not any(row["rang_at"] is None or row["state"] in ("B", "C") for row in rows):
            self._alarms.raise_(conn, cause, now)

    # ---- the word ----

    def _tell(self, conn: Connection, made: list[Made], now: Instant) -> None:
        """Put the word of every export that nobody has been told of into the outbox, and that it was, in one transaction."""
        told = ledger.newest(conn, KIND)
        since = now - TOLD_BACK if told is None or told.body["made_at"] > now else told.body["made_at"]
        newest = {one.day: one for one in made}  # of several revisions at once the last is the one that counts
        for one in made:
            if one.made_at <= since or newest[one.day] is not one:
                continue
            targets = self._targets()
            self._ladder.say(conn, KIND, targets, now, self._title(one), self._text(one))
            body = {"what": "told", "day": one.day, "folder": one.path.name, "made_at": one.made_at, "to": [t.person for t in targets]}
            ledger.append(conn, KIND, body, now, entered_at=now)

    def _targets(self) -> list[Target]:
        found = []
        for name in dict.fromkeys(self._config.export.tell):
            person = self._config.person(name)
            bells = tuple(bell for bell in (person.bells if person else ()) if bell not in self._ladder.things)  # a siren reads nothing out
            if bells:
                found.append(Target(name, bells))
        return found

    def _title(self, one: Made) -> str:
        again = f", revision {one.revision}" if one.revision > 1 else ""
        return f"Record of {one.day}{again} - {self._site.name}"

    def _text(self, one: Made) -> str:
        """The verdict first: the first lines are what a telephone shows."""
        manifest = one.manifest
        lines = [f"RECORD OF {one.day}{f', REVISION {one.revision}' if one.revision > 1 else ''}: {_verdict(one)}"]
        if manifest["problems"]:
            lines.append("DO NOT SIGN THIS DAY: judging the files again does not repeat what was found while it ran. Look at the alarm.")
        if manifest.get("being_judged"):
            lines.append("Late readings of it are still being judged: another revision follows.")
        if manifest["changed"]:
            lines.append(f"Changed since the revision before: {' '.join(manifest['changed'])}")
        lines.append(f"It lies at {one.path}")
        target = self._config.export.copy_to
        if target is not None:
            copy = target / self._site.id / one.path.name
            lines.append(f"Copy: {copy}" if _same(one.path, copy) else f"NOT YET COPIED to {target}")
        if self._config.server.public_url:
            lines.append(f"See it and sign: {self._config.server.public_url}/days/{one.day}")
        lines.append(f"Ledger head, to be kept apart from the board: {manifest['ledger']['head']}")
        return "\n".join(lines)


def is_in(target: Path, roots: Iterable[Path] = DISK_ROOTS) -> bool:
    """Whether a folder can be copied to: it is there, and beneath a root of passing disks something is mounted on it or above it."""
    if not target.is_dir():
        return False
    for root in roots:
        if root in target.parents:
            return any(place.is_mount() for place in (target, *target.parents) if root in place.parents)
    return True


def _read(path: Path) -> Made | None:
    try:
        manifest = json.loads((path / "manifest.json").read_bytes())
        if not manifest["day_over"]:
            return None
        told = {key: manifest[key] for key in ("problems", "changed", "ledger")} | {"being_judged": manifest.get("being_judged", "")}
        return Made(path, manifest["day"], int(manifest["revision"]), parse_instant(manifest["made_at"]), told)
    except (OSError, ValueError, KeyError, TypeError, QuantityError):
        return None  # a folder that is no export of ours, or is spoilt: `larderer verify` names what is wrong with it


def _same(export: Path, place: Path) -> bool:
    """Whether an export stands there: by its signed list of files, which `copy_to` wrote only once it had read everything back."""
    try:
        return (export / "manifest.json").read_bytes() == (place / "manifest.json").read_bytes()
    except OSError:
        return False


def _verdict(one: Made) -> str:
    try:
        return day_verdict(json.loads((one.path / "lots.json").read_bytes()))
    except (OSError, ValueError, KeyError, TypeError):
        return "its verdicts cannot be read; check the folder with larderer verify."
