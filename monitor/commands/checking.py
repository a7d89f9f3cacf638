"""What `larderer calibrate` and `larderer recall` do: on the store, without the service."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from sqlalchemy import Connection

from monitor.clock import SystemClock
from monitor.commands.offline import alone, opened
from monitor.config import Config, load_config
from monitor.errors import InputError
from monitor.judge import read_plan
from rules.plan import Plan, Site
from rules.quantity import local, parse_instant
from rules.reading import Instant
from rules.wording import difference, temperature


def calibrate_probe(config_path: Path, check: Any, by: str) -> tuple[int, str]:
    """Record a check; exit code 1 where it found the probe beyond its tolerance."""
    from monitor.check_desk import record

    config = load_config(config_path, check_bells=False)
    plan, now = read_plan(config.plan), SystemClock()()
    with opened(config) as store, store.write() as conn:
        _known(conn, by)
        made = record(conn, plan, _alarms(config, plan.site), check, now, by)
    unit, error = plan.site.unit, float(made["error_c"])
    text = (
        f"Check {made['id']}: {check.probe} read {temperature(made['indicated_c'], unit)} where {temperature(made['reference_c'], unit)} "
    )
    text += f"was right ({made['reference']}). {difference(made['tolerance_c'], unit)} is allowed."
    if made["offset_c"] is not None:
        text += f" From now on {difference(made['offset_c'], unit)} is added to what it reads."
    if made["within"]:
        return 0, text
    way = f"{difference(abs(error), unit)} too {'high' if error > 0 else 'low'}"
    return 1, f"{text}\nThat is {way}. What it measured since its last good check is in doubt: larderer recall {check.probe} --dry-run"


def recall_probe(config_path: Path, probe: str, check: int | None, by: str, *, dry_run: bool) -> tuple[int, str]:
    """Say what a recall changes, and carry it out unless `dry_run`; exit code 1 where a verdict changes."""
    from monitor import calibrations, recalling, recalls
    from monitor.check_desk import known
    from monitor.recall_effect import effect_of

    config = load_config(config_path, check_bells=False)
    plan, now = read_plan(config.plan), SystemClock()()
    known(plan, probe)
    if not dry_run and not by.strip():
        raise InputError('it is not said who recalls the probe; write --by "NAME", or --dry-run to look first')
    with opened(config) as store:
        with store.read() as conn:
            found = recalls.newest_failed(conn, probe) if check is None else calibrations.get(conn, check)
            if found["probe"] != probe:
                raise InputError(f"check {check} is of {found['probe']}, not of {probe}; name a check of that probe")
            effect = effect_of(conn, recalls.stretch_of(conn, found), plan, now)
        told = recalling.shown(effect, found, plan=plan)
        code = 1 if told["changes"] else 0
        if dry_run:
            return code, f"{_text(told, plan.site)}\nNothing was changed."
        with alone(config), store.write() as conn:
            _known(conn, by)
            number = recalling.carry_out(conn, _pipeline(config, plan), effect, found, now, by)
    days = ", ".join(told["days"]) or "none"
    return code, f"{_text(told, plan.site)}\nRecall {number} of {probe} is carried out. Export these days anew: {days}."


def _text(told: Mapping[str, Any], site: Site) -> str:
    lines = [told["text"]]
    for one in told["changes"]:
        where = one["lot"] or f"{one['step']} on {one['day']}"
        at = f" at {local(parse_instant(one['now_at']), site.zone):%Y-%m-%d %H:%M:%S %z}" if one["now_at"] else ""
        lines.append(f"  {where}: {one['step']}, {one['limit']}, {one['probe']}: {one['was']} -> {one['now']}{at}. {one['reason']}")
        if one["better"]:
            lines.append(f"      {one['note']}.")
    return "\n".join(lines)


def _known(conn: Connection, by: str) -> None:
    """Refuse a name that nobody here has."""
    from monitor.people import workers

    names = [p.name for p in workers(conn) if p.role in ("operator", "reviewer")]
    if by not in names:
        raise InputError(
            f'by is "{by[:60]}"; write one of {", ".join(names) or "(nobody works here yet; add a person with larderer user add)"}'
        )


def _alarms(config: Config, site: Site) -> Any:
    from monitor.alarms.alarms import Alarms

    return Alarms(config, site, _record)


def _pipeline(config: Config, plan: Plan) -> Any:
    from monitor.deviations import Deviations
    from monitor.judging import Judging
    from monitor.people import workers
    from monitor.pipeline import Pipeline

    alarms = _alarms(config, plan.site)
    return Pipeline(Judging(plan), alarms, Deviations(config, _record, alarms.reset, workers), SystemClock())


def _record(conn: Connection, kind: str, body: Mapping[str, Any], at: Instant, by: str = "") -> object:
    from monitor import ledger

    return ledger.append(conn, kind, body, at, by, entered_at=SystemClock()())
