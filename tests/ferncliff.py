"""A small Ferncliff Yard that many tests stand on: pieces of its plan, to be put together, and who and when. Every figure is invented.

A test whose verdict hangs on a figure of its own writes its plan itself.
"""

from monitor.desk import Hand
from rules.quantity import parse_instant

START = parse_instant("2026-03-02T08:00:00-06:00")
ODILE = Hand("Odile Marsh", "operator")
SITE = """
[site]
id = "ferncliff"
name = "Ferncliff Yard Smokehouse"
timezone = "America/Chicago"
unit = "F"
"""
#: A cooler with one probe, whose air is watched always.
COOLER = """
[[room]]
id = "cooler-1"
kind = "cooler"
[[probe]]
id = "cooler-air"
place = "cooler"
room = "cooler-1"
[[standing]]
room = "cooler-1"
[[standing.limit]]
name = "cooler air"
kind = "ceiling"
class = "operating"
place = "cooler"
max = "40 °F"
source = "invented for this test"
"""
#: A lot is ground under one limit, with one core probe.
GRIND = """
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
