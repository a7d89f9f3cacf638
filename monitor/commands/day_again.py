"""A copy of the records tried out on one day: exported from it and judged again, as a reader of that day's export would."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

from monitor.errors import RefusedError
from rules.reading import Instant


def judge_again(copy: Path, newest: Instant | None) -> str:
    """The last whole local day of a copy whose readings go up to `newest`, judged again from it; blank where there is none that is settled.

    Raises ExportMismatch where that does not repeat what was found then, RefusedError where its export does not verify, ExportError
    where it cannot be exported.
    """
    from monitor import late
    from monitor.commands.offline import verify_path
    from monitor.days import day_span
    from monitor.export.day import FOREVER, export_day
    from monitor.keys import site_key
    from monitor.store import plans
    from monitor.store.database import Store
    from rules.plan_load import load_plan
    from rules.quantity import local

    with Store(copy, create=False) as store:
        with store.read() as conn:
            kept = plans.in_force(conn, FOREVER)
            if newest is None or kept is None or late.waiting(conn) is not None:  # what came late is judged first
                return ""
            zone = load_plan(kept.text).site.zone
            day = (local(newest, zone).date() - timedelta(days=1)).isoformat()
            until = day_span(day, zone)[1]
            if plans.in_force(conn, until) is None:
                return ""
        with TemporaryDirectory(dir=copy.parent) as folder:
            key = site_key(Path(folder) / "keys")  # signs this one export: the site's own key is in no copy
            made = export_day(store, day, Path(folder) / "exports", key, now=newest)
            code, text = verify_path(made.path, None, None)
        if code:
            raise RefusedError(f"the export of {day} made from it does not verify:\n{text}")
    return day
