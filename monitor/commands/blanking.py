"""Takes secrets out of what is to be handed on: by place in the configuration, and by their text everywhere else.

What may be shown of a configuration is listed, and everything else is blanked: a key that is misspelt, or new, shows nothing.
"""

from __future__ import annotations

import base64
import os
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final
from urllib.parse import unquote, urlsplit

from monitor.config_load import KEYS

BLANK: Final = "***"
#: Values that are secrets, or addresses of people, wherever they stand.
_HIDDEN: Final = re.compile(r"(?i)(pass|secret|token|pin|credential|(^|_)key$|user|mail$|address$)")
_PLACES: Final = ("_file", "_env")
_PLAIN: Final = ("tls_key", "tls_cert", "tls_ca")
#: Texts of a source that tell how it is wired. A text under any other key is blanked; numbers and true or false are not.
_WIRING: Final = frozenset(
    (
        "byte_order", "channel", "chip", "client_id", "columns", "device", "device_time", "delimiter", "driver", "encoding", "faults",
        "file", "folder", "header", "host", "junction", "kind", "labels", "line", "name", "node", "observe", "parity", "parts", "port",
        "probe", "probes", "quality", "query", "raw", "register", "scale", "scenario", "sensor", "sensor_below", "sensors", "separator",
        "site", "table", "tables", "time", "time_format", "time_unit", "timezone", "topic", "type", "unit", "value", "what", "word_order",
    )
)  # fmt: skip
#: Shorter texts are blanked where they stand; sought everywhere they would only tear other words.
_SOUGHT: Final = 4
_PART: Final = 8
_URL: Final = re.compile(r"([A-Za-z][A-Za-z0-9+.-]{0,20}://)[^\s\"'<>]+")
_MAIL: Final = re.compile(r"[^\s\"'<>=@,;]+@[^\s\"'<>@,;]+")
#: The code for a first sign-in, as the service prints it, and codes with which messages are answered.
_CODE: Final = re.compile(r"(?i)(\b(?:code|token)\b[ =:\"']{1,4})[A-Z0-9_-]{4,}(?=\W|$)")
_LONGEST_FILE: Final = 65_536


def blanked(values: Mapping[str, Any]) -> dict[str, Any]:
    """The configuration as it may be shown: the same tables and keys, with `***` for each secret and each address."""
    return {key: _shown("", key, value) for key, value in values.items()}


def _shown(table: str, key: str, value: Any) -> Any:
    if isinstance(value, Mapping):
        inner = key if not table else f"{table}.{key}"
        return {name: _shown(inner, name, one) for name, one in value.items()}
    if isinstance(value, list):
        if key == "program":
            return [one if number == 0 and isinstance(one, str) else BLANK for number, one in enumerate(value)]
        return [_shown(table, key, one) for one in value]
    if isinstance(value, bool | int | float) and not _is_secret(key):
        return value
    return _text(str(value)) if _may_show(table, key) else _scheme(str(value))


def _may_show(table: str, key: str) -> bool:
    if key in _PLAIN:
        return True
    if key.endswith(_PLACES):  # where a secret is kept is none
        return table == "source" or key in KEYS.get(table, ())
    if _HIDDEN.search(key) or key in ("url", "public_url"):
        return False
    if table in KEYS:
        return key in KEYS[table]
    return table.partition(".")[0] in ("source", "mqtt") and (key in _WIRING or table == "source.sensors")


def _scheme(value: str) -> str:
    found = _URL.match(value)
    return f"{found.group(1)}{BLANK}" if found else BLANK if value else value


def _text(value: str) -> str:
    return _MAIL.sub(BLANK, _URL.sub(rf"\1{BLANK}", value))


class Secrets:
    """Every secret that a configuration names, read from where it is kept, so that its text can be found elsewhere."""

    def __init__(self, values: Mapping[str, Any], folder: Path, keys: Path | None) -> None:
        """`values`: the configuration as written; `folder`: what its paths count from; `keys`: the site's folder of keys."""
        found: set[str] = set()
        #: Files and variables that hold a secret and are not to be read here: what they hold cannot be sought.
        self.unread: list[str] = []
        for text, is_secret in _named(values, folder, self.unread):
            found.update(_forms(text, is_secret))
        for file in self._files(keys):
            if file.suffix != ".pub" and (data := _bytes(file, self.unread)):
                found.update((data.hex(), base64.b64encode(data).decode(), base64.urlsafe_b64encode(data).decode().rstrip("=")))
                found.update(line for line in data.decode("utf-8", "replace").split() if len(line) >= _PART)
        self._texts = sorted((text for text in found if len(text) >= _SOUGHT), key=len, reverse=True)

    def _files(self, keys: Path | None) -> list[Path]:
        try:
            return [] if keys is None or not keys.is_dir() else sorted(one for one in keys.iterdir() if one.is_file())
        except PermissionError:
            self.unread.append(str(keys))
            return []

    def out_of(self, value: Any) -> Any:
        """The same value (text, list, table) without a secret in it: also without addresses, links and codes."""
        if isinstance(value, str):
            for text in self._texts:
                value = value.replace(text, BLANK)
            return _CODE.sub(rf"\1{BLANK}", _text(value))
        if isinstance(value, Mapping):
            return {str(self.out_of(str(key))): self.out_of(one) for key, one in value.items()}
        if isinstance(value, list | tuple):
            return [self.out_of(one) for one in value]
        return value


def _named(values: Mapping[str, Any], folder: Path, unread: list[str]) -> Iterator[tuple[str, bool]]:
    """Each text that is a secret or may hold one, with those in files and in the environment; True: it is one as a whole."""
    for key, value in values.items():
        for one in value if isinstance(value, list) else [value]:
            if isinstance(one, Mapping):
                yield from _named(one, folder, unread)
            elif not isinstance(one, str):
                continue
            elif key.endswith("_env"):
                if one not in os.environ:  # the service has it from its unit, and whoever asks for a report has not
                    unread.append(f"the variable {one}")
                yield os.environ.get(one, ""), True
            elif key.endswith("_file") or key == "tls_key":
                yield _bytes(folder / Path(one).expanduser(), unread).decode("utf-8", "replace").strip(), True
            elif "://" in one or key == "url" or _is_secret(key) or (key == "program" and _opens_something(one)):
                yield one, True


def _is_secret(key: str) -> bool:
    return bool(_HIDDEN.search(key)) and key not in _PLAIN and not re.search(r"(?i)user|mail|address", key)


def _opens_something(argument: str) -> bool:
    """Whether a program's argument looks like a secret: words such as --tag larderer are not sought, or the whole report would be torn."""
    return len(argument) >= _PART and not argument.startswith(("/", "-")) and (len(argument) >= 20 or any(c.isdigit() for c in argument))


def _bytes(path: Path, unread: list[str]) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(_LONGEST_FILE)
    except (FileNotFoundError, NotADirectoryError, IsADirectoryError):
        pass  # a report is wanted most where something is wrong; what is not there cannot get into it either
    except OSError:  # no right to it, or a card that fails: the service may have read it when it still could
        unread.append(str(path))
    return b""


def _forms(text: str, whole: bool) -> Iterator[str]:
    """The text, its lines, and of an address the parts that open something."""
    if whole:
        yield text
        yield from (line for line in text.splitlines() if len(line) >= _PART)
    if "://" not in text:
        return
    rest = text.partition("://")[2]
    for part in re.split(r"[/?&#@]", rest):
        for piece in {part, part.rpartition("=")[2], part.partition(":")[2]}:
            if len(piece) >= _PART:
                yield piece
                yield unquote(piece)
    try:
        password = urlsplit(text).password
    except ValueError:
        password = None
    if password:
        yield password
        yield unquote(password)
