"""The site that faults from outside and an unwritable store are tried on: one lot being ground, one core probe, one limit."""

from monitor.desk import Hand
from rules.quantity import parse_instant

START = parse_instant("2026-03-02T08:00:00-06:00")
ODILE = Hand("Odile Marsh", "operator")
PLAN = """
[site]
id = "ferncliff"
name = "Ferncliff Yard Smokehouse"
timezone = "America/Chicago"
unit = "F"
[[probe]]
id = "core-1"
place = "core"
[[product]]
code = "juniper-links"
name = "Juniper venison-and-pork links"
[[product.step]]
name = "grind"
[[product.step.limit]]
name = "grind cold"
kind = "ceiling"
place = "core"
max = "40 °F"
source = "invented for this test"
do = ["Stop and re-chill the meat."]
"""
