"""The commands `larderer probes` and `probes watch`: what is wired, what was found, what it reads now."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from pathlib import Path
from typing import Any

from monitor.commands.offline import database_path, opened
from monitor.config import load_config
from monitor.judge import read_plan
from probes.clock import now as clock
from probes.discover import serial_ports
from probes.driver import Driver, load
from rules.plan import Plan, Site
from rules.quantity import format_span, local
from rules.reading import SECOND, Fault, Instant, Reading
from rules.wording import reading


def probes_text(config_path: Path) -> str:
    """The plan's probes with their newest readings, the configured sources, and serial ports nobody uses."""
    config = load_config(config_path, check_bells=False)
    plan = read_plan(config.plan)
    newest: dict[str, Any] = {}
    if database_path(config).exists():
        from monitor.store import readings

        with opened(config) as store, store.read() as conn:
            newest = readings.newest_by_probe(conn)
    lines = ["Probes of the plan:"]
    moment = clock()
    for probe in plan.probes:
        found = newest.get(probe.id)
        lines.append(f"  {probe.id:16} {probe.place}{f' in {probe.room}' if probe.room else '':22} {_newest(found, moment, plan.site, probe.place)}")
    lines.append("Sources:")
    lines += [f"  {s.driver}: {', '.join(f'{k}={v}' for k, v in s.options.items() if 'pass' not in k)}" for s in config.sources]
    if config.mqtt is not None:
        lines.append(f"  mqtt broker {config.mqtt.host}:{config.mqtt.port}: larderer/{plan.site.id}/probe/<probe>/reading")
    used = {str(s.options.get("port", "")) for s in config.sources}
    spare = [p for p in serial_ports() if p.device not in used and p.stable not in used]
    if spare:
        lines.append("Serial ports found that no source uses:")
        lines += [f"  {p.stable or p.device}  {p.text}" for p in spare]
    return "\n".join(lines)


def _newest(found: Any, moment: Instant, site: Site, place: str) -> str:
    if found is None:
        return "never read"
    if found.reading is not None and found.reading.at == found.at:
        return f"{reading(found.reading.celsius + found.reading.offset_c, place, site.unit)}, {format_span(moment - found.at)} ago"
    return f"fault: {found.fault.reason}, {format_span(moment - found.at)} ago"


class _Printer:
    """A Sink that prints and stores nothing."""

    def __init__(self, plan: Plan, said: Callable[[str], None]) -> None:
        self._plan, self._site, self._said = plan, plan.site, said

    def readings(self, items: Sequence[Reading | Fault]) -> Future[Any]:
        """Print what was read."""
        for item in items:
            when = local(item.at, self._site.zone).strftime("%H:%M:%S")
            if isinstance(item, Reading):
                suspect = f"  suspect: {item.suspect}" if item.suspect else ""
                known = self._plan.probe_by_id.get(item.probe)
                value = reading(item.celsius, known.place if known else "", self._site.unit)
                self._said(f"{when}  {item.probe:16} {value}{suspect}")
            else:
                self._said(f"{when}  {item.probe:16} fault: {item.reason} {item.raw}".rstrip())
        done: Future[Any] = Future()
        done.set_result(None)
        return done

    def state(self, source: str, connected: bool, text: str) -> None:
        """Print that a source came or went."""
        self._said(f"          {text}")


def watch_probes(config_path: Path, seconds: float, said: Callable[[str], None]) -> None:
    """Read every configured source until Ctrl-C, or for some seconds. A broker is listened to under a name of its own."""
    from monitor.service import mqtt_options

    config = load_config(config_path, check_bells=False)
    plan = read_plan(config.plan)
    drivers: list[Driver] = [load(s.driver, s.options) for s in config.sources if s.driver != "mqtt"]
    if config.mqtt is not None:
        drivers.append(load("mqtt", {**mqtt_options(config.mqtt, plan.site.id), "client_id": f"larderer-watch-{time.time_ns()}"}))
    stop = threading.Event()
    sink = _Printer(plan, said)
    threads = [threading.Thread(target=d.run, args=(sink, stop), daemon=True) for d in drivers]
    for thread in threads:
        thread.start()
    try:
        until = time.monotonic() + seconds if seconds else None
        while any(t.is_alive() for t in threads) and (until is None or time.monotonic() < until):
            time.sleep(0.1)
    except KeyboardInterrupt:
        pass
    stop.set()
    for thread in threads:
        thread.join(timeout=3 * SECOND / SECOND)
