"""The service's log: one line an event, `key=value` (logfmt), through Python's own logging.

    log = get_logger(__name__)
    log.info("source", source="usb", connected=True)

A library that does as much loads one for colours on a terminal with it, 5 MB for as long as the service runs.
"""

from __future__ import annotations

import json
import logging
from datetime import UTC, datetime
from typing import IO, Any

_VALUES = "larderer_values"


class Log:
    """Tells events with their values. `exc_info` as `logging` takes it: True for the error being handled, or an error."""

    def __init__(self, name: str) -> None:
        self._logger = logging.getLogger(name)

    def info(self, event: str, **values: object) -> None:
        """What went as it should, and somebody may want to know."""
        self._tell(logging.INFO, event, None, values)

    def warning(self, event: str, *, exc_info: BaseException | bool | None = None, **values: object) -> None:
        """What did not, and is being dealt with."""
        self._tell(logging.WARNING, event, exc_info, values)

    def error(self, event: str, *, exc_info: BaseException | bool | None = None, **values: object) -> None:
        """What did not, and somebody has to see to."""
        self._tell(logging.ERROR, event, exc_info, values)

    def exception(self, event: str, **values: object) -> None:
        """The same, with the traceback of the error being handled."""
        self._tell(logging.ERROR, event, True, values)

    def _tell(self, level: int, event: str, exc_info: BaseException | bool | None, values: dict[str, object]) -> None:
        self._logger.log(level, event, exc_info=exc_info, extra={_VALUES: values}, stacklevel=3)


def get_logger(name: str) -> Log:
    """The log of a module."""
    return Log(name)


class Logfmt(logging.Formatter):
    """Time, level, event, then the values; what has a blank, a quote or a line's end in it is quoted, so that a line stays a line."""

    def format(self, record: logging.LogRecord) -> str:
        """One line, the traceback with it."""
        at = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")
        told: dict[str, Any] = {"timestamp": at, "level": record.levelname.lower(), "event": record.getMessage()}
        told |= getattr(record, _VALUES, {})
        if record.exc_info:
            told["exception"] = self.formatException(record.exc_info)
        return " ".join(f"{key}={_quoted(value)}" for key, value in told.items())


def _quoted(value: object) -> str:
    text = str(value).lower() if isinstance(value, bool) else "" if value is None else str(value)
    if text.isprintable() and not any(c in ' "=' for c in text):
        return text
    # Escaped as JSON does: what comes from a wire must not make up a line, nor move the cursor of whoever reads it.
    return json.dumps(text, ensure_ascii=not text.isprintable())


def log_to(stream: IO[str], level: int = logging.INFO) -> None:
    """Have everything that is logged from `level` on written to `stream`, other libraries' warnings too; once for a process."""
    handler = logging.StreamHandler(stream)
    handler.setFormatter(Logfmt())
    root = logging.getLogger()
    for old in list(root.handlers):
        root.removeHandler(old)
    root.addHandler(handler)
    root.setLevel(max(level, logging.WARNING))
    for ours in ("monitor", "probes"):
        logging.getLogger(ours).setLevel(level)
