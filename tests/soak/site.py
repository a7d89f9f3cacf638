"""The site of the soak: Ferncliff Yard with 16 probes, two smokehouses and two coolers. Every figure is invented."""

from __future__ import annotations

from pathlib import Path

CORES = tuple(f"core-{n}" for n in range(1, 11))
#: Fixed probes and the room of each.
FIXED = {
    "house-air-1": "house-1", "house-air-2": "house-2", "cooler-air-1": "cooler-1", "cooler-air-2": "cooler-2",
    "freezer-air": "freezer-1", "cutting-air": "cutting",
}  # fmt: skip
PROBES = (*CORES, *FIXED)
ODILE, TAM = "Odile Marsh", "Tam Okafor"
SECRET = "juniper-9"
#: The file with the report of a life that ended cleanly: with a fortnight's lots it is longer than a pipe holds.
REPORT = "report.json"

_SITE = """
[site]
id = "ferncliff"
name = "Ferncliff Yard Smokehouse"
timezone = "America/Chicago"
unit = "F"
books = ["us-inspected-2021", "trade-practice"]
"""
_KINDS = {"house-1": "chamber", "house-2": "chamber", "cooler-1": "cooler", "cooler-2": "cooler", "freezer-1": "freezer", "cutting": "work"}
_PLACES = {"chamber": "chamber", "cooler": "cooler", "freezer": "cooler", "work": "room"}
_STANDING = """
[[standing]]
room = "{room}"
[[standing.limit]]
name = "{room} air"
kind = "ceiling"
class = "operating"
place = "cooler"
max = "{most}"
allowed = "20 min"
on_delay = "5 min"
source = "invented for the soak"
do = ["Shut the door."]
"""
_PRODUCT = """
[[product]]
code = "{code}"
name = "{name}"
species = "{species}"
cured = {cured}
fat = "8 %"
[[product.step]]
name = "grind"
room = "cutting"
[[product.step.limit]]
name = "cold chain"
kind = "ceiling"
class = "critical"
place = "core"
max = "41 °F"
allowed = "10 min"
source = "invented for the soak"
do = ["Chill the meat."]
[[product.step]]
name = "cook"
room = "{house}"
advance = {{ when = "lethality met", how = "auto", confirm_within = "60 min" }}
[[product.step.limit]]
name = "come-up"
kind = "come-up"
class = "critical"
place = "core"
book = "us-inspected-2021/come-up"
do = ["Raise the chamber."]
[[product.step.limit]]
name = "lethality"
kind = "lethality"
class = "critical"
place = "core"
book = "us-inspected-2021/{table}"
do = ["Back into the heat."]
[[product.step.limit]]
name = "humidity"
kind = "humidity"
exempt = "casing"
source = "invented for the soak: a collagen casing"
[[product.step]]
name = "chill"
room = "{cooler}"
[[product.step.limit]]
name = "stabilization"
kind = "cooling"
class = "critical"
place = "core"
book = "us-inspected-2021/cooling-option-1"
confirmed = "the soak, against nothing: no verdict of it counts"
do = ["Into the cooler."]
"""
_CONFIG = """
plan = "plan.toml"
data = "data"
[server]
port = 0
[[bell]]
id = "odile-phone"
url = "json://127.0.0.1:{phone}/odile-phone"
[[bell]]
id = "tam-phone"
url = "json://127.0.0.1:{phone}/tam-phone"
[[person]]
name = "Odile Marsh"
role = "operator"
bells = ["odile-phone"]
[[person]]
name = "Tam Okafor"
role = "reviewer"
bells = ["tam-phone"]
[[escalation]]
after = "0 min"
persons = ["Odile Marsh"]
[[escalation]]
after = "10 min"
persons = ["Tam Okafor"]
at_least = "high"
[store]
copy_every = "1 d"
"""


def plan_text() -> str:
    """The plan."""
    rooms = "".join(f'[[room]]\nid = "{room}"\nkind = "{kind}"\n' for room, kind in _KINDS.items())
    probes = "".join(f'[[probe]]\nid = "{core}"\nplace = "core"\nuncertainty = "0.5 °F"\n' for core in CORES)
    for probe, room in FIXED.items():
        still = 'stuck_after = "30 min"\n' if "cooler" in probe else ""
        probes += f'[[probe]]\nid = "{probe}"\nplace = "{_PLACES[_KINDS[room]]}"\nroom = "{room}"\nuncertainty = "1 °F"\n{still}'
    standing = "".join(
        _STANDING.format(room=room, most=most) for room, most in (("cooler-1", "40 °F"), ("cooler-2", "40 °F"), ("freezer-1", "5 °F"))
    )
    products = _PRODUCT.format(
        code="juniper-links", name="Juniper venison-and-pork links", species="meat", cured="true", house="house-1", cooler="cooler-1",
        table="meat-6.5-log",
    ) + _PRODUCT.format(
        code="sage-turkey-links", name="Sage turkey links", species="turkey", cured="false", house="house-2", cooler="cooler-2",
        table="turkey-7-log",
    )  # fmt: skip
    return _SITE + rooms + probes + standing + products


def write_site(folder: Path, phone: int) -> Path:
    """Write plan and configuration into `folder`; the path of the configuration."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "plan.toml").write_text(plan_text(), encoding="utf-8")
    path = folder / "larderer.toml"
    path.write_text(_CONFIG.format(phone=phone), encoding="utf-8")
    return path
