"""The command `larderer probes watch`: every configured source read live, nothing stored."""

from __future__ import annotations

import sys
import tempfile
import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from pathlib import Path
from typing import TYPE_CHECKING, Any

from monitor.commands.found import Collector
from monitor.config import Config, load_config
from monitor.judge import read_plan
from probes.driver import Driver, load
from probes.errors import ProbeError
from rules.plan import Plan
from rules.quantity import local
from rules.reading import Fault, Reading
from rules.wording import reading

if TYPE_CHECKING:
    from rich.table import Table

_END_S = 3.0


class _Live(Collector):
    """A Sink that also prints each item as a line, where no terminal shows the table."""

    def __init__(self, plan: Plan, said: Callable[[str], None] | None) -> None:
        super().__init__()
        self.plan, self._said = plan, said
        #: Whoever read the pipe has gone.
        self.unheard = False

    def _tell(self, line: str) -> None:
        if self._said is not None and not self.unheard:
            try:
                self._said(line)
            except BrokenPipeError:
                self.unheard = True

    def readings(self, items: Sequence[Reading | Fault]) -> Future[Any]:
        """Keep what is newest, and print it."""
        for item in items:
            if self._said is not None and not self.unheard:
                when = local(item.at, self.plan.site.zone).strftime("%H:%M:%S")
                self._tell(f"{when}  {item.probe:16} {self.text(item)}{'' if item.probe in self.plan.probe_by_id else '  not in the plan'}")
        return super().readings(items)

    def state(self, source: str, connected: bool, text: str) -> None:
        """Keep what a source says of itself, and print it."""
        super().state(source, connected, text)
        self._tell(f"          {text}")

    def text(self, item: Reading | Fault) -> str:
        """An item in the site's unit, or its reason and raw text."""
        if isinstance(item, Fault):
            return f"fault: {item.reason} {item.raw}".rstrip()
        known = self.plan.probe_by_id.get(item.probe)
        value = reading(item.celsius, known.place if known else "", self.plan.site.unit)
        return f"{value}  suspect: {item.suspect}" if item.suspect else value

    def table(self) -> Table:
        """The newest of each probe, for a terminal."""
        from rich.table import Table

        table = Table(caption="\n".join(self.states.values()), caption_justify="left")
        for title in ("probe", "place", "now", "age", "faults"):
            table.add_column(title, justify="right" if title in ("age", "faults") else "left", no_wrap=title != "now")
        now_s = time.monotonic()
        for name in dict.fromkeys([*(p.id for p in self.plan.probes), *self.newest]):
            known, item = self.plan.probe_by_id.get(name), self.newest.get(name)
            age = f"{now_s - self.heard_s[name]:.0f} s" if item is not None else ""
            place = f"{known.place}{f' in {known.room}' if known.room else ''}" if known else "not in the plan"
            table.add_row(name, place, self.text(item) if item is not None else "nothing yet", age, str(self.faults.get(name, 0)))
        return table


def drivers(config: Config, plan: Plan, said: Callable[[str], None], scratch: Path) -> list[Driver]:
    """A driver of each configured source; one that cannot be made is told and left out. `scratch` is a folder that is thrown away.

    Nothing that the service needs is touched: a folder's files are still new to it, and a broker is listened to under another name.
    """
    from monitor.sources import mqtt_options, source_options

    made: list[Driver] = []
    for number, source in enumerate(config.sources):
        if source.driver == "mqtt":
            continue
        options = source_options(config, source)
        if source.driver == "folder":
            options["positions"] = str(scratch / f"{number}.json")
        try:
            made.append(load(source.driver, options))
        except ProbeError as error:
            said(f"line {source.line}: {error}")
    if config.mqtt is not None:
        options = {**mqtt_options(config.mqtt, plan.site.id), "client_id": f"larderer-watch-{time.time_ns()}", "observe": True}
        made.append(load("mqtt", options))
    return made


def watch_probes(config_path: Path, seconds: float, said: Callable[[str], None]) -> None:
    """Read every configured source until Ctrl-C, or for some seconds: a table on a terminal, plain lines in a pipe."""
    config = load_config(config_path, check_bells=False)
    plan = read_plan(config.plan)
    terminal = sys.stdout.isatty()
    sink, stop = _Live(plan, None if terminal else said), threading.Event()
    scratch = tempfile.TemporaryDirectory()
    threads = [threading.Thread(target=d.run, args=(sink, stop), daemon=True) for d in drivers(config, plan, said, Path(scratch.name))]
    if not threads:
        scratch.cleanup()
        said("No source is configured; larderer probes add writes one, docs/sources.md explains each.")
        return
    for thread in threads:
        thread.start()
    until = time.monotonic() + seconds if seconds else None
    try:
        if terminal:
            from rich.console import Console
            from rich.live import Live

            with Live(sink.table(), console=Console(), refresh_per_second=4) as shown:
                _wait(threads, until, lambda: shown.update(sink.table()), sink)
        else:
            _wait(threads, until, lambda: None, sink)
    except KeyboardInterrupt:
        pass
    finally:
        stop.set()
        for thread in threads:
            thread.join(timeout=_END_S)
        scratch.cleanup()


def _wait(threads: Sequence[threading.Thread], until: float | None, turn: Callable[[], None], sink: _Live) -> None:
    while any(t.is_alive() for t in threads) and not sink.unheard and (until is None or time.monotonic() < until):
        turn()
        time.sleep(0.25)
    turn()
