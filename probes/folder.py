"""A folder into which a logger drops or writes its files: each is read on from where it was left, once.

Where each file was left is kept in a small file beside the store, and only moved on once the rows are durable. A file is known by its
device, its inode and its first bytes, so that one which was renamed (rotation) goes on and one that was emptied or replaced begins anew.
The last line is read only when its end has been written. Rows are dated by the logger, so what comes in bulk is simply late.
"""

from __future__ import annotations

import hashlib
import json
import os
import threading
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from probes.clock import Clock, now
from probes.driver import Sink, backoff
from probes.errors import SettingError, SourceGone
from probes.logger_rows import RowForm, Rows
from probes.settings import Settings
from rules.reading import Fault, Reading

_FIRST = 256
_AT_ONCE = 512 * 1024
_LONGEST_LINE = 16 * 1024
_DURABLE_S = 120.0


@dataclass(frozen=True)
class Folder:
    """One folder of one kind of file. `skip` lines come before the header; `header` says whether there is one."""

    name: str
    folder: Path
    pattern: str
    form: RowForm
    positions: Path
    header: bool = True
    skip: int = 0
    encoding: str = "utf-8"
    every_s: float = 5.0
    clock: Clock = now
    _told: dict[str, str] = field(default_factory=dict, repr=False, compare=False)

    def run(self, sink: Sink, stop: threading.Event) -> None:
        """Read what is new until `stop`. What the store will not take is read again later."""
        reading, waits, told, up = _Reading(self), backoff(), "", False
        while not stop.is_set():
            try:
                more = reading.round(sink, stop)
            except SourceGone as gone:
                text = f"{self.name}: {gone}"
                if text != told:
                    sink.state(self.name, False, text)
                    told, up = text, False
                stop.wait(next(waits))
                continue
            if not up:
                sink.state(self.name, True, f"{self.name}: reading {self.folder / self.pattern}.")
                waits, told, up = backoff(), "", True
            if not more:
                stop.wait(self.every_s)
        if up:
            sink.state(self.name, False, f"{self.name}: read no more.")

    def complain(self, sink: Sink, file: str, text: str) -> None:
        """Say once what is wrong with a file; the others are read on."""
        if self._told.get(file) != text:
            self._told[file] = text
            sink.state(self.name, True, f"{self.name}: {file}: {text}.")


@dataclass
class _File:
    """How far a file was read: `at` bytes, whose first ones have the fingerprint `first`; `rows` once its header was read."""

    at: int = 0
    first: str = ""
    length: int = 0
    rows: Rows | None = None


class _Reading:
    """The files of one folder and how far each was read."""

    def __init__(self, source: Folder) -> None:
        self.source = source
        self._files: dict[str, _File] = {}
        self._load()

    def round(self, sink: Sink, stop: threading.Event) -> bool:
        """Read on in every file, the oldest first; True where there is more at once. Raises SourceGone."""
        source = self.source
        if not source.folder.is_dir():
            raise SourceGone(f"{source.folder} is not there; plug in or mount what holds it")
        try:
            found = sorted(self._candidates())
        except OSError as error:
            raise SourceGone(f"{source.folder} cannot be read ({error.strerror}); check its medium") from error
        more = False
        for _, path in found:
            if stop.is_set():
                return False
            try:
                more |= self._read_on(path, sink)
            except (OSError, SettingError) as error:
                why = error.strerror if isinstance(error, OSError) else str(error)
                source.complain(sink, path.name, f"cannot be read ({why})" if isinstance(error, OSError) else str(why))
        return more

    def _candidates(self) -> Iterator[tuple[float, Path]]:
        """The files that are wanted, and those read before under another name: rotation must not cost a file's last rows."""
        for path in self.source.folder.iterdir():
            if path.is_file() and path != self.source.positions:
                status = path.stat()
                if path.match(self.source.pattern) or f"{status.st_dev}:{status.st_ino}" in self._files:
                    yield status.st_mtime, path

    def _read_on(self, path: Path, sink: Sink) -> bool:
        with path.open("rb") as stream:
            status = os.fstat(stream.fileno())
            key = f"{status.st_dev}:{status.st_ino}"
            file = self._files.setdefault(key, _File())
            beginning = stream.read(_FIRST)
            if file.at > status.st_size or (file.length and _fingerprint(beginning[: file.length]) != file.first):
                file = self._files[key] = _File()  # emptied, or another file in its place
            if file.rows is None and not self._header(file, stream):
                return False
            stream.seek(file.at)
            data = stream.read(_AT_ONCE)
        end = data.rfind(b"\n") + 1
        if not end:
            if len(data) < _LONGEST_LINE:
                return False
            end = len(data)  # no line is that long: what is there is passed over as one bad row
        items = self._decode(file, data[:end])
        if items and not self._durable(items, sink):
            return False
        file.at += end
        file.length = min(file.at, len(beginning))
        file.first = _fingerprint(beginning[: file.length])
        self._save(sink)
        return len(data) == _AT_ONCE

    def _header(self, file: _File, stream: Any) -> bool:
        """Read past the lines before the first row; False where they are not all written yet."""
        stream.seek(0)
        lines = [stream.readline(_LONGEST_LINE) for _ in range(self.source.skip + self.source.header)]
        if not all(line.endswith(b"\n") for line in lines):
            return False
        titles = lines[-1].decode(self.source.encoding, "replace") if self.source.header else None
        file.rows = Rows(self.source.form, titles)
        file.at = max(file.at, sum(len(line) for line in lines))
        return True

    def _decode(self, file: _File, data: bytes) -> list[Reading | Fault]:
        assert file.rows is not None
        at = self.source.clock()
        lines = data.decode(self.source.encoding, "replace").split("\n")
        return [item for line in lines for item in file.rows.feed(line, at)]

    def _durable(self, items: Sequence[Reading | Fault], sink: Sink) -> bool:
        try:
            sink.readings(items).result(_DURABLE_S)
        except Exception as error:  # noqa: BLE001 — whatever it was, the rows are still in their file and are read again
            sink.state(
                self.source.name, True, f"{self.source.name}: rows were not stored ({error or type(error).__name__}); read again later."
            )
            return False
        return True

    def _load(self) -> None:
        try:
            kept = json.loads(self.source.positions.read_text(encoding="utf-8"))
            self._files = {str(k): _File(int(v["at"]), str(v["first"]), int(v["length"])) for k, v in kept.items()}
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            self._files = {}  # none kept: everything is read, and what the store has already is a duplicate there

    def _save(self, sink: Sink) -> None:
        kept = {key: {"at": f.at, "first": f.first, "length": f.length} for key, f in self._files.items()}
        beside = self.source.positions.with_suffix(".new")
        try:
            beside.write_text(json.dumps(kept), encoding="utf-8")
            beside.replace(self.source.positions)
        except OSError as error:
            self.source.complain(
                sink,
                str(self.source.positions),
                f"how far files were read cannot be kept ({error.strerror}); a restart reads them from the start",
            )


def _fingerprint(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()[:16]


def load(config: Mapping[str, object]) -> Folder:
    """A folder from its `[[source]]` table.

    `folder`; `files` "*.csv"; `positions`, where to keep how far files were read; `time`, the time's column by title or number, and
    `date` where the day has its own; `time_format` as of strptime ("%d.%m.%Y %H:%M:%S"), blank for ISO 8601 or Unix seconds; `timezone`;
    `columns` = { "Probe 1" = "core-1" }, or `channel`, `value` and `labels` = { "1" = "core-1" }; `unit` "C", "F", "K" or "cell" (each
    value carries its own); `delimiter` ",", `decimal` ".", `header` true, `skip` 0, `encoding` "utf-8", `faults`, `lowest_c`,
    `highest_c`, `every_s` 5.
    """
    s = Settings(config, "source folder")
    folder = s.text("folder", want='the folder that the logger writes to, such as "/srv/logger"')
    s.where = f"source folder {folder}"
    columns, channel, value, labels = s.names("columns"), s.text("channel", ""), s.text("value", ""), s.names("labels")
    if bool(columns) == bool(channel) or bool(channel) != bool(value and labels):
        raise SettingError(
            f'{s.where}: no probe is named; write columns = {{ "Probe 1" = "core-1" }}, or channel, value and labels = {{ "1" = "core-1" }}'
        )
    fed = [*columns.values(), *labels.values()]
    if columns and len(set(fed)) < len(fed):
        raise SettingError(f"{s.where}: probe {max(fed, key=fed.count)!r} is fed by two columns; give each its own")
    unit = s.choice("unit", ("C", "F", "K", "cell"))
    encoding = s.text("encoding", "utf-8")
    try:
        "".encode(encoding)
    except LookupError:
        raise s.wrong("encoding", 'an encoding such as "utf-8" or "cp1252"') from None
    if encoding.lower().replace("_", "-").startswith(("utf-16", "utf16", "utf-32", "utf32")):
        raise s.wrong("encoding", "one whose line ends are single bytes, such as utf-8 or cp1252; have the logger write that")
    form = RowForm(
        time=s.text("time", want="the title or number of the column with the time"),
        zone=_zone(s),
        columns=tuple(columns.items()),
        date=s.text("date", ""),
        time_format=s.text("time_format", ""),
        channel=channel,
        value=value,
        labels=tuple(labels.items()),
        delimiter=s.choice("delimiter", (",", ";", "\t", "|", " "), ","),
        decimal=s.choice("decimal", (".", ","), "."),
        unit=None if unit == "cell" else unit,
        faults=frozenset(word.strip().lower() for word in s.texts("faults")),
        span_c=(s.number("lowest_c", -200.0, -273.15, 1400.0), s.number("highest_c", 1400.0, -273.15, 1400.0)),
    )
    driver = Folder(
        name=s.text("name", f"folder {folder}"),
        folder=Path(folder),
        pattern=s.text("files", "*.csv"),
        form=form,
        positions=Path(s.text("positions", str(Path(folder) / ".larderer-positions.json"))),
        header=s.flag("header", True),
        skip=s.whole("skip", 0, 0, 1000),
        encoding=encoding,
        every_s=s.number("every_s", 5.0, 0.05, 3600.0),
    )
    s.done()
    if not driver.header:
        Rows(form, None)  # numbers where titles cannot be
    return driver


def _zone(s: Settings) -> ZoneInfo:
    name = s.text("timezone", want='the zone of the logger\'s clock, such as "America/Chicago" or "UTC"')
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise s.wrong("timezone", 'a time zone such as "America/Chicago" or "UTC"') from None
