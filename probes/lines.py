"""Text lines from an instrument to Readings and Faults: pure, bounded, and refusing what a lost byte may have changed.

Forms, by configuration:
- one value a line for one `probe`: `71.1`, `T=71.1C`, `+7.11000000E+01`;
- labels mapped to probes: `CH1:+071.1 CH2:-----`, and the ids of NMEA XDR sentences;
- columns: `71.1,45.5` with one probe (or "-") a column, or `2024-03-05T14:30:00Z;1;+071.1;C` with the roles
  "time", "channel", "value" and "unit".
A line counts once its terminator (CR, LF or both) has come. A line that does not read whole, from its first to its last
character, is refused whole: it gives every probe of the port a Fault with the raw text, and no number. Plain numbers carry
no check of their own: a digit lost from "71.1" can leave "7.1". Where the instrument can, let it send labels,
units, a fixed number of `decimals`, or NMEA sentences.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from probes import nmea
from probes.csv_text import instant
from probes.value import fault_word, parse_value, unit_of
from rules.errors import QuantityError
from rules.reading import Fault, Instant, Reading

#: What a column can be, besides a probe's id and "-" for one to pass over.
ROLES = ("time", "channel", "value", "unit")

_RAW_MOST = 200
_ANY_SEPARATOR = re.compile(r"\s*[,;]\s*|\s+")
_NO_COMMA = re.compile(r"\s*;\s*|\s+")
_LABEL = r"\s*([A-Za-z0-9_][\w.#/-]*)\s*[=:]\s*"
_LABELLED = {
    ".": re.compile(_LABEL + r"([^\s,;=:]*(?:[ \t]+[°º]?[CFK](?=[\s,;]|\Z))?)\s*[,;]?\s*"),
    ",": re.compile(_LABEL + r"([^\s;=:]*(?:[ \t]+[°º]?[CFK](?=[\s;]|\Z))?)\s*;?\s*"),
}
_CHANNEL_NUMBER = re.compile(r"0*(\d+)")


@dataclass(frozen=True)
class LineFormat:
    """How a port's lines are to be read. One of `probe`, `labels`, `columns` says where values belong.

    `unit` None: each value carries its own. `separator` "": any of comma, semicolon, tab, blank (without the
    comma if `decimal` is a comma). `faults`: further words or codes for "no temperature". `span_c`: what the sensors can
    read; a number beyond it is a fault. `decimals`: how many digits always follow the mark. `most_bytes`: longest line.
    """

    probe: str = ""
    labels: Mapping[str, str] = field(default_factory=dict)
    columns: tuple[str, ...] = ()
    unit: str | None = None
    decimal: str = "."
    decimals: int | None = None
    separator: str = ""
    faults: frozenset[str] = frozenset()
    span_c: tuple[float, float] = (-100.0, 500.0)
    device_time: bool = True
    most_bytes: int = 512

    @property
    def probes(self) -> tuple[str, ...]:
        """Every probe that these lines can speak of."""
        named = [self.probe, *self.labels.values(), *(c for c in self.columns if c not in ROLES and c != "-")]
        return tuple(dict.fromkeys(name for name in named if name))


class LineDecoder:
    """Feed bytes as they come, get Readings and Faults. `mid_line`: the port was opened between two terminators, so that the first
    stretch of bytes may be the rest of a line and is passed over ("71.1" could begin as "1.1").
    """

    def __init__(self, form: LineFormat, mid_line: bool = False) -> None:
        self.form = form
        self._held = b""
        self._skipping = mid_line

    def __len__(self) -> int:
        """Bytes held for a line that has not ended; never more than `most_bytes`."""
        return len(self._held)

    def reopened(self) -> None:
        """Forget the unfinished line: the port was lost and is there again."""
        self._held, self._skipping = b"", True

    def feed(self, data: bytes, received_at: Instant) -> list[Reading | Fault]:
        """Everything that the lines ended by `data` hold, in their order."""
        out: list[Reading | Fault] = []
        most = self.form.most_bytes
        *ended, rest = data.replace(b"\r", b"\n").split(b"\n")
        for piece in ended:
            line, self._held = self._held + piece, b""
            if self._skipping:
                self._skipping = False
            elif len(line) > most:
                out += self._refuse(f"line longer than {most} bytes", line[:most], received_at)
            elif line:
                out += self._line(line, received_at)
        if not self._skipping:
            self._held += rest
            if len(self._held) > most:
                out += self._refuse(f"line longer than {most} bytes", self._held[:most], received_at)
                self._held, self._skipping = b"", True
        return out

    def _refuse(self, reason: str, raw: bytes | str, at: Instant) -> list[Reading | Fault]:
        return [Fault(probe, at, reason, printable(raw)) for probe in self.form.probes]

    def _line(self, line: bytes, at: Instant) -> list[Reading | Fault]:
        text = _text(line).strip()
        if not text:
            return []
        if not text.replace("\t", "").isprintable():
            return self._refuse("garbled bytes", line, at)
        if "$" in text:
            return self._sentence(text[text.rindex("$") :], at)
        return self._columns(text, at) if self.form.columns else self._labelled(text, at)

    def _item(self, probe: str, value: str, at: Instant, raw: str, unit: str | None) -> Reading | Fault:
        form = self.form
        found = parse_value(value, unit, decimal=form.decimal, decimals=form.decimals, faults=form.faults, span_c=form.span_c)
        return Fault(probe, at, found, printable(raw)) if isinstance(found, str) else Reading(probe, at, found)

    def _sentence(self, text: str, at: Instant) -> list[Reading | Fault]:
        groups = nmea.parse(text)
        if isinstance(groups, str):
            return self._refuse(groups, text, at)
        temperatures = [group for group in groups if group.kind == "C"]
        if self.form.probe and len(temperatures) > 1:
            return self._refuse("several values for one probe", text, at)
        out: list[Reading | Fault] = []
        for group in temperatures:
            probe = self.form.probe or self.form.labels.get(group.id, "")
            unit = unit_of(group.unit)
            if probe and (unit is None or self.form.unit not in (None, unit)):
                out.append(Fault(probe, at, f"unit {group.unit or 'missing'} in the sentence", printable(text)))
            elif probe:
                # The sentence's numbers have a point, whatever the port's other lines have.
                found = parse_value(group.value, unit, faults=self.form.faults, span_c=self.form.span_c)
                out.append(Fault(probe, at, found, printable(text)) if isinstance(found, str) else Reading(probe, at, found))
        return out

    def _labelled(self, text: str, at: Instant) -> list[Reading | Fault]:
        if self.form.probe and "=" not in text and ":" not in text:
            return [self._item(self.form.probe, text, at, text, self.form.unit)]
        pairs: list[tuple[str, str]] = []
        position, pattern = 0, _LABELLED[self.form.decimal]
        while position < len(text):
            match = pattern.match(text, position)
            if match is None or match.end() == position:
                return self._refuse("the line does not read as label and value", text, at)
            pairs.append((match[1], match[2]))
            position = match.end()
        seen = [label for label, _ in pairs]
        if len(set(seen)) != len(seen):
            return self._refuse("a label is there twice; two lines may have run together", text, at)
        if self.form.probe:
            if len(pairs) != 1:
                return self._refuse("several values for one probe", text, at)
            return [self._item(self.form.probe, pairs[0][1], at, text, self.form.unit)]
        return [self._item(self.form.labels[label], value, at, text, self.form.unit) for label, value in pairs if label in self.form.labels]

    def _columns(self, text: str, at: Instant) -> list[Reading | Fault]:
        form = self.form
        if form.separator:
            fields = [part.strip() for part in text.split(form.separator)]
        else:
            fields = (_NO_COMMA if form.decimal == "," else _ANY_SEPARATOR).split(text)
        if not any(char.isdigit() for char in text) and all(fault_word(part, form.faults) is None for part in fields):
            return []  # A header row: it holds no digit and no fault word, so nothing is lost with it.
        if len(fields) != len(form.columns):
            return self._refuse(f"{len(fields)} fields where {len(form.columns)} are configured", text, at)
        role = dict(zip(form.columns, fields, strict=True))
        if "time" in role and form.device_time:
            try:
                at = instant(role["time"])
            except QuantityError:
                return self._refuse("the time cannot be read", text, at)
        unit = form.unit
        if "unit" in role:
            sent = unit_of(role["unit"])
            if sent is None or unit not in (None, sent):
                return self._refuse(f"unit {role['unit'] or 'missing'} in the line", text, at)
            unit = sent
        out = [self._item(c, v, at, text, unit) for c, v in zip(form.columns, fields, strict=True) if c not in ROLES and c != "-"]
        if "value" in role:
            probe = form.probe or self._channel(role.get("channel", ""))
            if probe:
                out.append(self._item(probe, role["value"], at, text, unit))
        return out

    def _channel(self, text: str) -> str:
        """The probe of a channel; "01" is channel 1."""
        number = _CHANNEL_NUMBER.fullmatch(text)
        return self.form.labels.get(text) or (self.form.labels.get(number[1], "") if number else "")


def _text(line: bytes) -> str:
    """The line as text: UTF-8, else Latin-1, the two ways in which instruments write a degree sign."""
    try:
        return line.decode("utf-8")
    except UnicodeDecodeError:
        return line.decode("latin-1")


def printable(raw: bytes | str) -> str:
    """What came over the wire, for a Fault: cut to 200 characters, whatever cannot be printed as an escape."""
    text = _text(raw) if isinstance(raw, bytes) else raw
    return "".join(char if char.isprintable() else f"\\x{ord(char):02x}" for char in text[:_RAW_MOST])
