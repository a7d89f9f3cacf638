"""The command `larderer probes`: what the plan asks for, how it is wired, what it read last, and what was found besides."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, func, select

from monitor.commands.found import Found, everything
from monitor.commands.offline import made, opened
from monitor.config import Config, Source, load_config
from monitor.judge import read_plan
from monitor.sources import source_options
from probes.clock import now as clock
from probes.driver import load
from probes.errors import ProbeError
from rules.plan import Plan, Probe
from rules.quantity import format_span
from rules.reading import HOUR, Instant
from rules.wording import reading


def probes_text(config_path: Path, seconds: float = 2.0) -> str:
    """The plan's probes with newest value, age and faults of the last day; the sources; what was found and is not used."""
    config = load_config(config_path, check_bells=False)
    plan = read_plan(config.plan)
    newest: dict[str, Any] = {}
    faults: dict[str, int] = {}
    moment = clock()
    if made(config):
        from monitor.store import readings

        with opened(config) as store, store.read() as conn:
            newest, faults = readings.newest_by_probe(conn), faults_since(conn, moment - 24 * HOUR)
    rows = [_row(probe, newest.get(probe.id), faults.get(probe.id, 0), moment, plan) for probe in plan.probes]
    lines = ["Probes of the plan" + (":" if rows else ": none; larderer probes add writes the first"), *_columns(rows)]
    lines += ["", "Sources:", *(f"  {_source(config, s)}" for s in config.sources)]
    if config.mqtt is not None:
        lines.append(f"  mqtt       broker {config.mqtt.host}:{config.mqtt.port}, larderer/{plan.site.id}/probe/<probe>/reading")
        lines += [f"             topic {t.get('topic')} -> {t.get('probe')}" for t in config.mqtt.topics]
    if not config.sources and config.mqtt is None:
        lines.append("  none; readings can only be pushed over HTTP")
    found, trouble = everything(config, seconds)
    own = [f for f in found if f.id.startswith(f"mqtt:larderer/{plan.site.id}/")]
    lines += ["", *_found([f for f in found if f not in own and not f.id.startswith("mqtt:$")], trouble)]
    strangers = sorted(
        {f.id.split("/")[3] for f in own if f.id.endswith("/reading") and f.id.count("/") == 4} - {p.id for p in plan.probes}
    )
    if strangers:
        lines.append(f"Heard on the broker and not in the plan: {', '.join(strangers)}; larderer probes add --source mqtt:… writes it.")
    return "\n".join(lines)


def faults_since(conn: Connection, since: Instant) -> dict[str, int]:
    """How many faults each probe had since an instant."""
    from monitor.store.schema import fault, probe_name

    query = select(probe_name.c.name, func.count()).join(probe_name).where(fault.c.at > since).group_by(probe_name.c.name)
    return {str(row[0]): int(row[1]) for row in conn.execute(query)}


def _row(probe: Probe, found: Any, faults: int, moment: Instant, plan: Plan) -> tuple[str, ...]:
    where = f"{probe.place}{f' in {probe.room}' if probe.room else ''}"
    if found is None:
        return probe.id, where, "never read", "", ""
    if found.reading is not None and found.reading.at == found.at:
        value = reading(found.reading.celsius + found.reading.offset_c, probe.place, plan.site.unit)
        value += " suspect" if found.reading.suspect else ""
    else:
        value = f"fault: {found.fault.reason}"
    age = moment - found.at
    silent = "  SILENT" if age > probe.silent_after else ""
    return probe.id, where, value, f"{format_span(age)} ago{silent}", f"{faults} faults in 24 h" if faults else ""


def _columns(rows: Sequence[tuple[str, ...]]) -> list[str]:
    """Rows as text with columns under one another."""
    if not rows:
        return []
    widths = [max(len(row[n]) for row in rows) for n in range(len(rows[0]))]
    return ["  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]


def _source(config: Config, source: Source) -> str:
    """One source by its driver's own name, or what is wrong with it; no secret is in either."""
    try:
        feeds = ", ".join(fed(source.options)) or "what it is sent"
        return f"{source.driver:10} {load(source.driver, source_options(config, source)).name}, feeds {feeds}"
    except ProbeError as error:
        return f"{source.driver:10} line {source.line}: {error}"


def fed(options: Mapping[str, object]) -> list[str]:
    """The probes that a source's table names."""
    found: list[str] = []
    for key, value in options.items():
        if key == "probe" and isinstance(value, str):
            found.append(value)
        elif key in ("sensors", "labels", "columns") and isinstance(value, Mapping):
            found += [str(v) for v in value.values()]
        elif key in ("columns", "probes") and isinstance(value, list):
            found += [str(v) for v in value if v not in ("-", "time", "channel", "value", "unit")]
        elif isinstance(value, list):
            found += [probe for table in value if isinstance(table, Mapping) for probe in fed(table)]
    return [probe for probe in dict.fromkeys(found) if probe != "-"]


def _found(found: Sequence[Found], trouble: str) -> list[str]:
    lines = [trouble] if trouble else []
    if not found:
        return [*lines, "Nothing else was found on this machine."]
    lines += ["Found and not used:", *_columns([(f.id, f.says) for f in found])]
    return [*lines, "To use one: larderer probes add, or with its name: larderer probes add --source " + found[0].id]
