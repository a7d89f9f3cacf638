"""The guard band of a watch against the decision rule of the calibration laboratories.

ILAC-G8:09/2019, "Guidelines on decision rules and statements of conformity", binary statement with guard band w = U (95 %, k = 2): accept
only at or inside the acceptance limit AL = TL +/- w (page 10 of a copy, and two laboratory pages citing it). The rule is silent on equality
with AL; the rows below take it as accepted, as limits here are inclusive. Basis of the probabilities: JCGM 106:2012 (from memory,
unverified): flat prior, normal error, u = U/2.
"""

import math

import pytest

from rules.engine import Engine
from rules.plan_load import load_plan
from rules.reading import MINUTE, LotEvent, Reading, Tick

#: (limit, TL in °C, U in °C, AL in °C, reading in °C, simple acceptance, binary with w = U, probability that the true value is within TL).
ROWS = [
    ("lower", 71.1, 1.0, 72.10, 73.0, "pass", "pass", 0.9999),
    ("lower", 71.1, 1.0, 72.10, 72.1, "pass", "pass", 0.9772),
    ("lower", 71.1, 1.0, 72.10, 71.6, "pass", "fail", 0.8413),
    ("lower", 71.1, 1.0, 72.10, 71.1, "pass", "fail", 0.5000),
    ("lower", 71.1, 1.0, 72.10, 70.6, "fail", "fail", 0.1587),
    ("lower", 71.1, 1.0, 72.10, 70.1, "fail", "fail", 0.0228),
    ("upper", 4.4, 1.0, 3.40, 3.0, "pass", "pass", 0.9974),
    ("upper", 4.4, 1.0, 3.40, 3.4, "pass", "pass", 0.9772),
    ("upper", 4.4, 1.0, 3.40, 4.0, "pass", "fail", 0.7881),
    ("upper", 4.4, 1.0, 3.40, 4.4, "pass", "fail", 0.5000),
    ("upper", 4.4, 1.0, 3.40, 4.9, "fail", "fail", 0.1587),
    ("upper", 4.4, 1.0, 3.40, 5.4, "fail", "fail", 0.0228),
    ("upper", 4.4, 1.0, 3.40, 5.5, "fail", "fail", 0.0139),
    ("lower", 54.4, 0.5, 54.90, 54.9, "pass", "pass", 0.9772),
    ("lower", 54.4, 0.5, 54.90, 54.4, "pass", "fail", 0.5000),
    ("lower", 54.4, 0.5, 54.90, 53.9, "fail", "fail", 0.0228),
    ("lower", 71.1, 0.0, 71.10, 71.1, "pass", "pass", 1.0000),
    ("lower", 71.1, 0.0, 71.10, 71.0, "fail", "fail", 0.0000),
]


def verdict(kind: str, limit_c: float, u_c: float, reading_c: float, *, guard: bool) -> str:
    """What the engine says of a lot whose one watch reads the same value for ten minutes."""
    rule = f'kind = "floor"\nmin = "{limit_c} C"' if kind == "lower" else f'kind = "ceiling"\nmax = "{limit_c} C"'
    plan = load_plan(
        f"""
[site]
id = "ferncliff"
name = "Ferncliff Yard Smokehouse"
[[probe]]
id = "core-1"
place = "core"
uncertainty = "{u_c} C"
[[product]]
code = "juniper-links"
name = "Juniper venison-and-pork links"
[[product.step]]
name = "hold"
[[product.step.limit]]
name = "hold"
{rule}
place = "core"
source = "the row of the decision rule"
{"" if guard else 'guard = "none"'}
"""
    )
    engine = Engine(plan)
    engine.feed(LotEvent(0, "start", "J-1", "juniper-links"))
    engine.feed(LotEvent(0, "place", "J-1", "core-1"))
    for minute in range(11):
        engine.feed(Reading("core-1", minute * MINUTE, reading_c))
    engine.feed(LotEvent(10 * MINUTE + 1, "end", "J-1"))
    engine.feed(Tick(11 * MINUTE))
    return str(engine.report()["lots"][0]["verdict"])


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row[0]}-{row[1]}-{row[2]}-{row[4]}")
def test_uncertainty_is_used_as_the_binary_rule_with_guard_band_does(row):
    """With U stated a limit is met where the rule with w = U accepts; with guard none, where simple acceptance does."""
    kind, limit_c, u_c, _, reading_c, simple, guarded, _ = row
    assert (verdict(kind, limit_c, u_c, reading_c, guard=True) == "met") == (guarded == "pass")
    assert (verdict(kind, limit_c, u_c, reading_c, guard=False) == "met") == (simple == "pass")


@pytest.mark.parametrize("row", [row for row in ROWS if row[2]], ids=lambda row: f"{row[0]}-{row[1]}-{row[4]}")
def test_rows_agree_with_their_own_rule(row):
    """The acceptance limit and the probability of each row follow from its limit and its uncertainty, so that no row is a slip."""
    kind, limit_c, u_c, acceptance_c, reading_c, _, guarded, probability = row
    sign = 1.0 if kind == "lower" else -1.0
    assert acceptance_c == pytest.approx(limit_c + sign * u_c, abs=0.005)
    assert (sign * (reading_c - acceptance_c) >= -1e-9) == (guarded == "pass")
    assert 0.5 * (1.0 + math.erf(sign * (reading_c - limit_c) / (u_c / 2.0) / math.sqrt(2.0))) == pytest.approx(probability, abs=5e-5)
    assert guarded == "fail" or probability >= 0.977, "falsely accepted in less than 2.5 % of cases"
