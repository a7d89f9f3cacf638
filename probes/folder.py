"""A folder into which a logger drops or writes its files: each is read on from where it was left, once.

Where each file was left is kept in a small file beside the store, and only moved on once the rows are durable. A file is known by its
device, its inode, its first bytes and the last that were read, so that one which was renamed (rotation) goes on and one that was emptied
or replaced begins anew. The last line is read only when its end has been written. Rows are dated by the logger, so what comes in bulk is
simply late.
"""

from __future__ import annotations

import hashlib
import json
import os
import stat
import threading
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import wait
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import IO, ClassVar
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from probes.clock import Clock, now
from probes.driver import Sink, backoff
from probes.errors import SettingError, SourceGone
from probes.logger_rows import RowForm, Rows
from probes.settings import Settings
from rules.reading import Fault, Instant, Reading

_FIRST = 256
_AT_ONCE = 512 * 1024
_LONGEST_LINE = 16 * 1024
_PIECE = 500
#: So many files' complaints are remembered, so that months of bad files fill no memory.
_MOST_TOLD = 500


@dataclass(frozen=True)
class Folder:
    """One folder of one kind of file. `skip` lines come before the header; `header` says whether there is one."""

    SENDS_AGAIN: ClassVar[bool] = True
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
            if len(self._told) >= _MOST_TOLD:
                self._told.clear()
            self._told[file] = text
            sink.state(self.name, True, f"{self.name}: {file}: {text}.")


@dataclass
class _File:
    """How far a file was read: `at` bytes, whose first and last ones have the fingerprint `mark`; `rows` once its header was read.

    `last` is the newest time of its rows, `passing_over` is set within a line too long to be one.
    """

    at: int = 0
    mark: str = ""
    last: Instant | None = None
    passing_over: bool = False
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
        keys = {key for _, _, key in found}
        self._files = {key: file for key, file in self._files.items() if key in keys}  # a file that is gone is not written to again
        more = False
        for _, path, _ in found:
            if stop.is_set():
                return False
            try:
                more |= self._read_on(path, sink, stop)
            except (OSError, SettingError) as error:
                why = error.strerror if isinstance(error, OSError) else str(error)
                source.complain(sink, path.name, f"cannot be read ({why})" if isinstance(error, OSError) else str(why))
        return more

    def _candidates(self) -> Iterator[tuple[float, Path, str]]:
        """The files that are wanted, and those read before under another name: rotation must not cost a file's last rows."""
        for path in self.source.folder.iterdir():
            try:
                status = path.stat()
            except FileNotFoundError:
                continue  # it went while the folder was being listed
            key = f"{status.st_dev}:{status.st_ino}"
            wanted = path.match(self.source.pattern) or key in self._files
            if wanted and stat.S_ISREG(status.st_mode) and path != self.source.positions:
                yield status.st_mtime, path, key

    def _read_on(self, path: Path, sink: Sink, stop: threading.Event) -> bool:
        with path.open("rb") as stream:
            status = os.fstat(stream.fileno())
            key = f"{status.st_dev}:{status.st_ino}"
            file = self._files.setdefault(key, _File())
            if file.at > status.st_size or (file.mark and _mark(stream, file.at) != file.mark):
                file = self._files[key] = _File()  # emptied, or another file in its place
            if file.rows is None and not self._header(file, stream):
                return False
            stream.seek(file.at)
            data = stream.read(_AT_ONCE)
            end = data.rfind(b"\n") + 1
            passing_over = file.passing_over and not end
            if not end:
                if len(data) < _LONGEST_LINE and not passing_over:
                    return False
                # No line is that long: what is there is one bad row, and what is still to come of it is passed over.
                end, passing_over = len(data), True
            mark = _mark(stream, file.at + end)  # before the store takes its time: meanwhile the file may be replaced in its place
            items = self._decode(file, data[:end])
            if items and not self._durable(items, sink, stop):
                file.rows = None  # it has seen rows that are to be read again
                return False
            file.at, file.passing_over = file.at + end, passing_over
            file.last = file.rows.last if file.rows is not None else None
            file.mark = mark
        self._save(sink)
        return len(data) == _AT_ONCE

    def _header(self, file: _File, stream: IO[bytes]) -> bool:
        """Read past the lines before the first row; False where they are not all written yet."""
        stream.seek(0)
        lines = [stream.readline(_LONGEST_LINE) for _ in range(self.source.skip + self.source.header)]
        if not all(line.endswith(b"\n") for line in lines):
            return False
        titles = lines[-1].decode(self.source.encoding, "replace") if self.source.header else None
        file.rows = Rows(self.source.form, titles, file.last)
        file.at = max(file.at, sum(len(line) for line in lines))
        return True

    def _decode(self, file: _File, data: bytes) -> list[Reading | Fault]:
        assert file.rows is not None
        at = self.source.clock()
        if file.passing_over:
            data = data.partition(b"\n")[2]
        lines = data.decode(self.source.encoding, "replace").split("\n")
        return [item for line in lines for item in file.rows.feed(line, at)]

    def _durable(self, items: Sequence[Reading | Fault], sink: Sink, stop: threading.Event) -> bool:
        """Hand rows over in pieces, so that a long file holds up nobody, and wait until all are durable; False where they are not."""
        try:
            for n in range(0, len(items), _PIECE):
                future = sink.readings(items[n : n + _PIECE])
                while not wait([future], 0.2).done:  # handed over again meanwhile, they would fill the queue while the store is away
                    if stop.is_set():
                        return False
                future.result()
        except Exception as error:  # noqa: BLE001 — whatever it was, the rows are still in their file and are read again
            sink.state(
                self.source.name, True, f"{self.source.name}: rows were not stored ({error or type(error).__name__}); read again later."
            )
            return False
        return True

    def _load(self) -> None:
        try:
            kept = json.loads(self.source.positions.read_text(encoding="utf-8"))
            self._files = {
                str(k): _File(int(v["at"]), str(v["mark"]), None if v["last"] is None else int(v["last"]), bool(v["passing_over"]))
                for k, v in kept.items()
            }
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            self._files = {}  # none kept: everything is read, and what the store has already is a duplicate there

    def _save(self, sink: Sink) -> None:
        kept = {k: {"at": f.at, "mark": f.mark, "last": f.last, "passing_over": f.passing_over} for k, f in self._files.items()}
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


def _mark(stream: IO[bytes], at: int) -> str:
    """A fingerprint of a file's first bytes and of those before `at`: its header alone is that of every other file of this logger."""
    stream.seek(0)
    first = stream.read(min(_FIRST, at))
    stream.seek(max(0, at - _FIRST))
    return hashlib.sha256(first + stream.read(min(_FIRST, at))).hexdigest()[:16]


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
        time_format=_time_format(s),
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


def _time_format(s: Settings) -> str:
    """The form of the time; refused where it leaves out the day, since every row would then be of the year 1900."""
    form, example = s.text("time_format", ""), datetime(2031, 11, 29, 17, 42)
    if not form:
        return ""
    try:
        told = datetime.strptime(example.strftime(form), form)
    except ValueError:
        told = None
    if told is None or told.replace(second=0, tzinfo=None) != example:
        raise s.wrong("time_format", 'a form with year, month, day, hour and minute, such as "%d.%m.%Y %H:%M:%S"')
    return form


def _zone(s: Settings) -> ZoneInfo:
    name = s.text("timezone", want='the zone of the logger\'s clock, such as "America/Chicago" or "UTC"')
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise s.wrong("timezone", 'a time zone such as "America/Chicago" or "UTC"') from None
