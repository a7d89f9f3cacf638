"""The invented site of the benches: a lot with a core probe for each sender, and a room with a ceiling for each breach."""

from __future__ import annotations

from pathlib import Path

SENDERS = 16
ROOMS = 120
LIMIT_C = 5.0

_HEAD = """
[site]
id = "bench"
name = "Bench, an invented site"
timezone = "UTC"
unit = "C"
books = ["us-inspected-2021"]

[[room]]
id = "house"
kind = "chamber"
"""
_ROOM = """
[[room]]
id = "cooler-{n}"
kind = "cooler"
[[probe]]
id = "air-{n}"
place = "cooler"
room = "cooler-{n}"
uncertainty = "0 °C"
[[standing]]
room = "cooler-{n}"
[[standing.limit]]
name = "cold"
kind = "ceiling"
class = "operating"
place = "cooler"
max = "5 °C"
source = "invented for the bench"
do = ["Shut the door."]
"""
_CORE = """
[[probe]]
id = "core-{n}"
place = "core"
uncertainty = "0 °C"
"""
_PRODUCT = """
[[product]]
code = "links"
name = "Links"
species = "meat"
cured = true
[[product.step]]
name = "cook"
room = "house"
[[product.step.limit]]
name = "lethality"
kind = "lethality"
place = "core"
book = "us-inspected-2021/meat-6.5-log"
do = ["Back into the heat."]
[[product.step]]
name = "chill"
room = "house"
[[product.step.limit]]
name = "stabilization"
kind = "cooling"
place = "core"
book = "us-inspected-2021/cooling-option-1"
confirmed = "the bench, against nothing: no verdict of it counts"
do = ["Into the cooler."]
"""
_BELL = """
[[bell]]
id = "bell"
{way}
[[escalation]]
after = "0 min"
bells = ["bell"]
[alarms]
all_well = ""
"""


def write_site(folder: Path, *, mqtt_port: int = 0, bell: str = "") -> Path:
    """Write plan and configuration; the path of the configuration. `bell` is the line that says how the bell rings."""
    rooms = "".join(_ROOM.format(n=n) for n in range(ROOMS)) if bell else ""
    cores = "".join(_CORE.format(n=n) for n in range(SENDERS))
    (folder / "plan.toml").write_text(_HEAD + rooms + cores + _PRODUCT, encoding="utf-8")
    config = 'plan = "plan.toml"\ndata = "data"\n[server]\nport = 0\n'
    if mqtt_port:
        config += f'[mqtt]\nhost = "127.0.0.1"\nport = {mqtt_port}\n'
    if bell:
        config += _BELL.format(way=bell)
    path = folder / "larderer.toml"
    path.write_text(config, encoding="utf-8")
    return path
