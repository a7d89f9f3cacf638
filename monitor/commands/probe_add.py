"""The command `larderer probes add`: from something found, through a live value, to the plan's probe and the configuration's source."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import typer

from monitor.commands.found import Found, everything, listen
from monitor.config import Config, Source, load_config
from monitor.errors import InputError, RefusedError
from monitor.judge import read_plan
from monitor.sources import mqtt_options, source_options
from monitor.toml_append import on_trial, replace_file, table_text, with_table
from probes.driver import load
from probes.errors import ProbeError
from rules.errors import QuantityError
from rules.plan import PLACES, Plan
from rules.plan_load import load_plan
from rules.quantity import parse_difference
from rules.reading import Fault, Reading
from rules.wording import reading

_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]*")
_OURS = re.compile(r"mqtt:larderer/([^/]+)/probe/([^/]+)/reading")


@dataclass(frozen=True)
class Wanted:
    """What a person gave on the command line; what is blank is asked for on a terminal."""

    source: str = ""
    probe: str = ""
    place: str = ""
    room: str | None = None
    uncertainty: str = ""
    unit: str = ""
    baud: int = 0
    value: str = ""
    seconds: float = 5.0
    yes: bool = False


@dataclass(frozen=True)
class Written:
    """Both files as they will be: the tables that are added, and the whole texts. `config_text` is blank where the wiring needs nothing."""

    probe: Mapping[str, object]
    plan_text: str
    source: Mapping[str, object]
    config_text: str


class Asker:
    """Asks a person on a terminal. In a pipe nobody answers, so what is missing is a mistake that names its option."""

    def __init__(self, terminal: bool) -> None:
        self.terminal = terminal

    def __call__(self, question: str, option: str, check: Callable[[str], str], default: str | None = None) -> str:
        """The answer that `check` finds nothing wrong with; `check` gives a sentence or a blank."""
        if not self.terminal:
            if default is not None:
                return default
            raise InputError(f"{option} is missing; give it, or run larderer probes add on a terminal and be asked")
        while True:
            answer = str(typer.prompt(question, default=default, show_default=bool(default))).strip()
            wrong = check(answer)
            if not wrong:
                return answer
            typer.echo(wrong)


def add_probe(config_path: Path, wanted: Wanted, said: Callable[[str], None], terminal: bool | None = None) -> None:
    """Find, ask, show, ask again, write both files. Raises InputError and changes nothing on any mistake."""
    ask = Asker(sys.stdin.isatty() and sys.stdout.isatty() if terminal is None else terminal)
    config = load_config(config_path, check_bells=False)
    plan = read_plan(config.plan)
    found = _choose(config, wanted, said, ask)
    ours = _OURS.fullmatch(found.id)
    if ours is not None and ours[1] != plan.site.id:
        raise InputError(f"{found.id} is a topic of site {ours[1]!r} and this plan is of {plan.site.id!r}; choose another source")
    more = _form(found, wanted, ask)
    _live(config, plan, found, more, wanted, said)
    table = _probe(plan, found, ours[2] if ours is not None else "", wanted, ask)
    source = {} if ours is not None else found.source(str(table["id"]), more)
    written = _prepare(config, plan, table, source, found)
    said(f"\nInto {config.plan.name}:\n\n{table_text('probe', table)}")
    if source:
        said(f"Into {config.path.name}:\n\n{table_text(_header(found), source)}")
    again = _live(config, plan, found, more, wanted, said, str(table["place"]))
    if not isinstance(again, Reading) and (wanted.yes or not ask.terminal):
        raise InputError(f"{found.id} gives no temperature now, so nothing was written; see to its cable and its form, and try again")
    if not wanted.yes:
        if not ask.terminal:
            raise InputError("nothing was written; add --yes to write it, or run larderer probes add on a terminal")
        if not typer.confirm("Write this?", default=False):
            said("Nothing was written.")
            return
    _write(config, written, said)


def _choose(config: Config, wanted: Wanted, said: Callable[[str], None], ask: Asker) -> Found:
    listening = min(wanted.seconds, 3.0) if not wanted.source or wanted.source.startswith("mqtt:") else 0.0
    found, trouble = everything(config, listening)
    if trouble and (not wanted.source or wanted.source.startswith("mqtt:")):
        said(trouble)
    if wanted.source:
        chosen = next((f for f in found if f.id == wanted.source), None)
        if chosen is None and wanted.source.startswith(("serial:", "mqtt:")) and not wanted.source.endswith(":"):
            driver = wanted.source.partition(":")[0]  # a port that shows no adapter, a topic that was silent just now
            chosen = Found(driver, wanted.source)
        if chosen is None:
            there = ", ".join(f.id for f in found) or "nothing"
            raise InputError(f"--source is {wanted.source!r}, which was not found or is in use already; there is {there}")
        if chosen.driver == "mqtt" and config.mqtt is None:
            raise InputError(f"{config.path.name} has no [mqtt]; add it with its host first")
        return chosen
    if not found:
        raise InputError("nothing was found that is not in use; plug it in, or write its [[source]] by hand after docs/sources.md")
    said("Found and not used:")
    for number, one in enumerate(found, 1):
        said(f"  {number}  {one.id}  {one.says}")

    def check(answer: str) -> str:
        return "" if answer.isdigit() and 1 <= int(answer) <= len(found) else f"Write a number from 1 to {len(found)}."

    return found[int(ask("Which one", "--source", check)) - 1]


def _form(found: Found, wanted: Wanted, ask: Asker) -> dict[str, object]:
    """How its values are to be read, where the source does not say so itself."""
    if found.driver not in ("serial", "mqtt") or _OURS.fullmatch(found.id):
        return {}

    def unit(answer: str) -> str:
        return "" if answer in ("C", "F", "K") else "Write C, F or K, as the device's manual says."

    given = wanted.unit or ask("Unit of its values (C, F, K)", "--unit", unit)
    if unit(given):
        raise InputError(f"--unit is {given!r}; write C, F or K, as the device's manual says")
    more: dict[str, object] = {"unit": given}
    if found.driver == "serial":
        baud = str(wanted.baud) if wanted.baud else ask("Baud", "--baud", lambda a: "" if a.isdigit() else "Write a number.", "9600")
        return {"baud": int(baud), **more}
    if wanted.value or "{" in found.says:
        path = wanted.value or ask(
            "Where the number stands in its JSON, such as air.0.temp", "--value", lambda a: "" if a else "Write a path."
        )
        more["value"] = path
    return more


def _live(
    config: Config, plan: Plan, found: Found, more: Mapping[str, object], wanted: Wanted, said: Callable[[str], None], place: str = ""
) -> Reading | Fault | None:
    """What it says now, told to the person."""
    try:
        item, state = listen(*_listening(config, plan, found, more), wanted.seconds)
    except ProbeError as error:
        raise InputError(str(error)) from error
    if isinstance(item, Reading):
        value = reading(item.celsius, place, plan.site.unit)
        said(f"It reads {value} now. Hold it in your hand and it should rise: then it is the right one.")
    elif item is not None:
        said(f"It answers without a temperature: {item.reason} {item.raw}".rstrip())
    else:
        said(f"Nothing came within {wanted.seconds:g} s. {state}".rstrip())
    return item


def _listening(config: Config, plan: Plan, found: Found, more: Mapping[str, object]) -> tuple[str, dict[str, object], str]:
    ours = _OURS.fullmatch(found.id)
    if found.driver != "mqtt":
        return found.driver, {k: v for k, v in found.source("?", more).items() if k != "driver"}, "?"
    assert config.mqtt is not None
    options = {**mqtt_options(config.mqtt, plan.site.id), "client_id": f"larderer-add-{os.getpid()}", "observe": True}
    options["topic"] = [] if ours is not None else [found.source("?", more)]
    return "mqtt", options, ours[2] if ours is not None else "?"


def _probe(plan: Plan, found: Found, named: str, wanted: Wanted, ask: Asker) -> dict[str, object]:
    """The plan's table for it, each answer checked as it is given."""
    rooms = [room.id for room in plan.rooms]

    def check_id(answer: str) -> str:
        if named and answer != named:
            return f"Its topic calls it {named!r}; write that."
        if answer in plan.probe_by_id:
            return f"The plan has a probe {answer!r}; choose another name."
        return "" if _ID.fullmatch(answer) else "Write letters, digits, - _ and dots, such as core-2."

    def check_place(answer: str) -> str:
        return "" if answer in PLACES else f"Write one of {', '.join(PLACES)}."

    def check_room(answer: str) -> str:
        return (
            ""
            if not answer or answer in rooms
            else f"Write one of {', '.join(rooms) or '(the plan has no room)'}, or nothing for a probe that moves."
        )

    def check_uncertainty(answer: str) -> str:
        try:
            return "" if not answer or parse_difference(answer) >= 0 else "Write 0 or more."
        except QuantityError:
            return 'Write a difference with its unit, such as "0.5 °F", as its certificate says.'

    def take(given: str | None, question: str, option: str, check: Callable[[str], str], default: str | None = None) -> str:
        if not given:
            return ask(question, option, check, default) if given is None or default is None or ask.terminal else default
        wrong = check(given)
        if wrong:
            raise InputError(f"{option} is {given!r}. {wrong}")
        return given

    table: dict[str, object] = {"id": take(wanted.probe or None, "Name of the probe", "--probe", check_id, named or None)}
    table["place"] = take(wanted.place or None, f"Place ({', '.join(PLACES)})", "--place", check_place)
    room = take(wanted.room, "Room it stays in (blank: it moves)", "--room", check_room, "")
    uncertainty = take(
        wanted.uncertainty or None, 'Uncertainty, such as "0.5 °F" (blank: none known)', "--uncertainty", check_uncertainty, ""
    )
    if room:
        table["room"] = room
    if uncertainty:
        table["uncertainty"] = uncertainty
    table["source"] = found.id
    return table


def _header(found: Found) -> str:
    return "mqtt.topic" if found.driver == "mqtt" else "source"


def _prepare(config: Config, plan: Plan, table: Mapping[str, object], source: Mapping[str, object], found: Found) -> Written:
    """Both files' new texts, each read by its own loader before anything is replaced."""
    plan_text = with_table(config.plan.read_text(encoding="utf-8-sig"), "probe", table)
    load_plan(plan_text, config.plan.name)
    if not source:
        return Written(table, plan_text, source, "")
    config_text = with_table(config.path.read_text(encoding="utf-8-sig"), _header(found), source)
    try:
        with on_trial(config.path, config_text) as trial:
            loaded = load_config(trial, check_bells=False)
            for one in loaded.sources[len(config.sources) :] or _last(loaded.sources):
                load(one.driver, source_options(loaded, one))
            if loaded.mqtt is not None:
                load("mqtt", mqtt_options(loaded.mqtt, plan.site.id))
    except ProbeError as error:
        raise InputError(str(error)) from error
    except OSError as error:
        why = f"{config.path} and its folder cannot be written ({error.strerror}); nothing was changed"
        raise RefusedError(f"{why}. Whoever runs this command or the service needs the right and the room to write there") from error
    return Written(table, plan_text, source, config_text)


def _last(sources: Sequence[Source]) -> Sequence[Source]:
    return sources[-1:]


def _write(config: Config, written: Written, said: Callable[[str], None]) -> None:
    """Replace both files; should the second not go, the first is put back."""
    moment = datetime.now()
    try:
        kept_plan = replace_file(config.plan, written.plan_text, moment)
    except OSError as error:
        raise InputError(f"{config.plan} cannot be written ({error.strerror}); nothing was changed") from error
    kept = [kept_plan.name]
    if written.config_text:
        try:
            kept.append(replace_file(config.path, written.config_text, moment).name)
        except OSError as error:
            kept_plan.replace(config.plan)
            raise InputError(f"{config.path} cannot be written ({error.strerror}); nothing was changed") from error
    said(f"Written. What was there before is kept as {' and '.join(kept)}.")
    said("Check it against ice water before it watches meat. Restart the service so that it is read: systemctl restart larderer")
