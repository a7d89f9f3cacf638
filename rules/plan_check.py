"""What is wrong, doubtful or worth knowing in a plan that loads: its limits against its books, its probes, its steps."""

from __future__ import annotations

from rules.checks.flow import flow
from rules.checks.humidity import humidity
from rules.checks.remark import PlanRemark
from rules.checks.schedule import schedule
from rules.checks.site import probes, rooms, site, standing
from rules.checks.steps import product_steps
from rules.plan import Plan


def check_plan(plan: Plan) -> list[PlanRemark]:
    """Every remark on a plan, in the order of its file."""
    found = [*site(plan), *rooms(plan), *probes(plan), *standing(plan)]
    for product in plan.products:
        found += [
            *product_steps(plan, product), *flow(plan, product), *humidity(plan, product), *schedule(plan, product)
        ]  # fmt: skip
    return sorted(dict.fromkeys(found), key=lambda r: (r.line, ("error", "warning", "note").index(r.severity)))
