"""What can go wrong in `probes`.

ProbeError
├── SettingError   a source's configuration that cannot be used
├── CsvError       a row of a readings or events file; names file, line and field
├── PushError      a pushed body that cannot be read at all; nothing of it was taken
│   └── TooLarge   the body or its list is longer than accepted
├── SenmlError     a SenML pack that must not be used (RFC 8428 asks for an error)
├── RawValueError  millivolts or ohms that are no temperature of the sensor
└── SourceGone     nothing answers where a source should be; it is tried again

Every message is one sentence: what, with which value, where, and what to write instead.
A temperature that cannot be read is no exception: it is a `Fault` with the raw text and a reason.
"""

from __future__ import annotations


class ProbeError(ValueError):
    """Root of this package's errors."""


class SettingError(ProbeError):
    """A source's configuration that cannot be used."""


class CsvError(ProbeError):
    """A row that cannot be read; nothing of its file was taken. `name`, `line` and `field` say where."""

    def __init__(self, name: str, line: int, field: str, text: str) -> None:
        # Line 0 is no line: the file as a whole.
        where = name + (f": line {line}" if line else "") + (f", field {field}" if field else "")
        super().__init__(f"{where}: {text}")
        self.name, self.line, self.field = name, line, field


class PushError(ProbeError):
    """A pushed body that cannot be read at all; nothing of it was taken."""


class TooLarge(PushError):
    """A pushed body, or the list in it, that is longer than accepted."""


class SenmlError(PushError):
    """A SenML pack that must not be used; nothing of it was taken."""


class RawValueError(ProbeError):
    """Millivolts, ohms or counts that are no temperature of the sensor: an open wire, a short, another sensor."""


class SourceGone(ProbeError):
    """Nothing answers where a source should be; the message says where and what to look at."""
