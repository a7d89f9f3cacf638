"""Reads a source's table from the configuration, key by key; every mistake is one sentence, and unknown keys are told."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from probes.errors import SettingError

#: Keys that belong to the `[[source]]` table itself, whatever the driver.
COMMON = ("driver", "name")


class Settings:
    """One table. Ask for each key, then call `done()`: a key that nobody asked for is a mistake, most likely a misspelt one."""

    def __init__(self, table: Mapping[str, object], where: str) -> None:
        self._table, self.where = table, where
        self._asked: dict[str, None] = {}

    def wrong(self, key: str, want: str) -> SettingError:
        """The sentence for a key whose value cannot be used."""
        return SettingError(f"{self.where}: {key} is {self._table.get(key)!r}; write {want}")

    def has(self, key: str) -> bool:
        """True if the table gives this key."""
        self._asked[key] = None
        return key in self._table

    def text(self, key: str, default: str | None = None, want: str = 'a text in quotes, such as "x"') -> str:
        """A text; without a default it must be there and not be blank."""
        self._asked[key] = None
        value = self._table.get(key, default)
        if value is None:
            raise SettingError(f"{self.where}: {key} is missing; write {want}")
        if not isinstance(value, str) or (default is None and not value.strip()):
            raise self.wrong(key, want)
        return value

    def choice(self, key: str, choices: tuple[str, ...], default: str | None = None) -> str:
        """One of some words."""
        value = self.text(key, default, f"one of {', '.join(repr(c) for c in choices if c)}")
        if value not in choices:
            raise self.wrong(key, f"one of {', '.join(repr(c) for c in choices if c)}")
        return value

    def whole(self, key: str, default: int, low: int, high: int) -> int:
        """A whole number within bounds."""
        self._asked[key] = None
        value = self._table.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise self.wrong(key, f"a whole number from {low} to {high}")
        return value

    def number(self, key: str, default: float, low: float, high: float) -> float:
        """A number within bounds."""
        self._asked[key] = None
        value = self._table.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            raise self.wrong(key, f"a number from {low:g} to {high:g}")
        return float(value)

    def flag(self, key: str, default: bool) -> bool:
        """True or false."""
        self._asked[key] = None
        value = self._table.get(key, default)
        if not isinstance(value, bool):
            raise self.wrong(key, "true or false")
        return value

    def texts(self, key: str) -> tuple[str, ...]:
        """A list of texts; empty if the key is not there."""
        self._asked[key] = None
        value = self._table.get(key, ())
        if not isinstance(value, list | tuple) or not all(isinstance(v, str) for v in value):
            raise self.wrong(key, 'a list of texts, such as ["a", "b"]')
        return tuple(value)

    def numbers(self, key: str) -> tuple[float, ...]:
        """A list of numbers; empty if the key is not there."""
        self._asked[key] = None
        value = self._table.get(key, ())
        if not isinstance(value, list | tuple) or not all(isinstance(v, int | float) and not isinstance(v, bool) for v in value):
            raise self.wrong(key, "a list of numbers, such as [32767, -32768]")
        return tuple(float(v) for v in value)

    def names(self, key: str) -> dict[str, str]:
        """A table of texts; empty if the key is not there."""
        self._asked[key] = None
        value = self._table.get(key, {})
        if not isinstance(value, Mapping) or not all(isinstance(v, str) and v for v in value.values()):
            raise self.wrong(key, 'a table of texts, such as { CH1 = "core-1" }')
        return {str(k): str(v) for k, v in value.items()}

    def tables(self, key: str) -> list[Settings]:
        """A list of tables; empty if the key is not there."""
        self._asked[key] = None
        value = self._table.get(key, ())
        if not isinstance(value, list | tuple) or not all(isinstance(v, Mapping) for v in value):
            raise self.wrong(key, "a list of tables")
        return [Settings(v, f"{self.where}, {key} {n}") for n, v in enumerate(value, 1)]

    def table(self, key: str) -> Settings | None:
        """A table of its own; None if the key is not there."""
        self._asked[key] = None
        value = self._table.get(key)
        if value is None:
            return None
        if not isinstance(value, Mapping):
            raise self.wrong(key, "a table")
        return Settings(value, f"{self.where}, {key}")

    def done(self) -> None:
        """Refuse keys that nobody asked for."""
        for key in self._table:
            if key not in self._asked and key not in COMMON:
                raise SettingError(f"{self.where}: key {key!r} is not known; write one of {', '.join(sorted(self._asked))}")


def read_secret(s: Settings, key: str) -> str:
    """A secret given as `key`, or in the file that `<key>_file` names; blank where neither is there."""
    secret, file = s.text(key, ""), s.text(f"{key}_file", "")
    if not file:
        return secret
    try:
        return Path(file).read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise s.wrong(f"{key}_file", f"the path of a readable file that holds the {key}") from error
