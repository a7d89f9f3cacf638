"""The common ground of our CSV files: header, rows with line numbers, and mistakes that name file, line and field."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TextIO

from probes.errors import CsvError
from rules.errors import QuantityError
from rules.quantity import parse_instant
from rules.reading import SECOND, Instant

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_US = timedelta(microseconds=1)

#: Year 1 to year 9999: what can be written back as ISO 8601.
EARLIEST: Instant = (datetime(1, 1, 2, tzinfo=UTC) - _EPOCH) // _US
LATEST: Instant = (datetime(9999, 12, 30, tzinfo=UTC) - _EPOCH) // _US

#: Unix seconds beyond this (year 5138) are milliseconds or microseconds by mistake.
_SECONDS_MOST = 100_000_000_000 * SECOND


def read_file(path: Path) -> str:
    """The text of a UTF-8 file, with or without a byte order mark; raises CsvError where it is not UTF-8 or cannot be read."""
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise CsvError(str(path), 0, "", f"the file cannot be read ({error.strerror}); give the path of a CSV file") from error
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        bad = raw[error.start : error.start + 1].hex()
        raise CsvError(str(path), line, "", f"byte {bad} is not UTF-8; save the file as UTF-8") from error


def lines_of(path: Path) -> Iterator[str]:
    """The lines of such a file one by one, so that a day of a million rows costs no memory; raises CsvError as `read_file` does."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            yield from file
    except (OSError, UnicodeDecodeError):
        read_file(path)  # says where it is
        raise


def rows(text: str | Iterable[str], name: str, need: tuple[str, ...], may: tuple[str, ...]) -> Iterator[tuple[int, list[str]]]:
    """The header, then every row that is not blank, each with its line number.

    The header must hold every column of `need`, and otherwise only columns of `may`, each once, in any order.
    """
    if isinstance(text, str):
        text = io.StringIO(text.removeprefix("\ufeff"), newline="")
    reader = csv.reader(text, strict=True)
    width = 0
    try:
        for row in reader:
            if not row:
                continue
            if width:
                if len(row) != width:
                    raise CsvError(name, reader.line_num, "", f"there are {len(row)} fields where the header has {width}; write {width}")
                yield reader.line_num, row
                continue
            header = [column.strip().removeprefix("\ufeff") for column in row]
            _check_header(header, name, reader.line_num, need, may)
            width = len(header)
            yield reader.line_num, header
    except csv.Error as error:
        raise CsvError(name, reader.line_num, "", f"the row is no CSV ({error}); write fields with commas between them") from error
    if not width:
        raise CsvError(name, 1, "", f"the file is empty; its first line must be the header {','.join(need)}")


def _check_header(header: list[str], name: str, line: int, need: tuple[str, ...], may: tuple[str, ...]) -> None:
    known = (*need, *may)
    for column in header:
        if column not in known:
            raise CsvError(name, line, column or "(blank)", f"the header has a column {column!r}; write only {', '.join(known)}")
        if header.count(column) > 1:
            raise CsvError(name, line, column, "the header has this column twice; keep one")
    for column in need:
        if column not in header:
            raise CsvError(name, line, column, f"the header lacks this column; write {','.join(need)}")


def instant(text: str) -> Instant:
    """Microseconds of a time as our CSV files write it, fast for ISO 8601; raises QuantityError in one sentence."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        pass
    else:
        # A bare "20260302" is a date to fromisoformat, and Unix seconds to us.
        if moment.tzinfo is not None:
            at = (moment - _EPOCH) // _US
            if EARLIEST <= at <= LATEST:
                return at
    at = parse_instant(text)
    if not EARLIEST <= at <= LATEST or (abs(at) > _SECONDS_MOST and _is_number(text)):
        raise QuantityError(f"time is {text!r}, which is beyond what Unix seconds can mean; write seconds, not milliseconds, or ISO 8601")
    return at


def _is_number(text: str) -> bool:
    return text.strip().lstrip("+-").replace(".", "", 1).isdigit()


def instant_text(at: Instant) -> str:
    """The same text as `rules.quantity.format_instant`, made faster since an export writes millions."""
    text = (_EPOCH + timedelta(microseconds=at)).isoformat()[:-6]
    return (text.rstrip("0") if at % SECOND else text) + "Z"


def row_writer(out: TextIO) -> Callable[[Sequence[str]], object]:
    """A function that writes one row, ending lines with LF and quoting what needs it.

    The csv module leaves a lone CR unquoted when lines end with LF, and then reads it back as a line's end.
    """
    plain, quoted = csv.writer(out, lineterminator="\n"), csv.writer(out, lineterminator="\n", quoting=csv.QUOTE_ALL)

    def write(row: Sequence[str]) -> object:
        return (quoted if any("\r" in cell for cell in row) else plain).writerow(row)

    return write
