"""What the commands `larderer lot …` ask of the running service, and how they tell its answers."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any
from urllib.parse import quote

from monitor.commands.rejudge import signed_in
from monitor.judge import read_plan
from rules.quantity import local, parse_instant, parse_temperature


def show(config: Path, lot: str, name: str, url: str) -> str:
    """The lot's papers as sentences."""
    found = signed_in(config, name, url).get(f"{_path(lot)}/papers")
    lines = [f"Lot {lot}: {_stand(found)}"]
    lines += [f"  {one[:1].upper()}{one[1:]}." for one in (*found["missing"], *found["gone"])]
    zone = _zone(config)
    for one in found["receipts"]:
        what = "received" if one["what"] == "received" else "refused"
        gone = f" TAKEN BACK: {one['withdrawn']}" if one["withdrawn"] else ""
        note = f" {one['text']}" if one["text"] else ""
        lines.append(
            f"  {one['seq']}: {_when(one['at'], zone)} {what} {one['material']} from {one['supplier']}, lot {one['supplier_lot']}, "
            f"{one['weight_kg']} kg at {one['temperature']}, by {one['by']}.{note}{gone}"
        )
    if not found["receipts"]:
        lines.append("  Nothing was written down as received for it.")
    return "\n".join(lines)


def receive(config: Path, lot: str, came: Mapping[str, Any], name: str, url: str) -> str:
    """Write a receipt; the sentence says its number."""
    parse_temperature(came["temperature"])  # a mistake is told before anybody types a PIN
    if "at" in came:
        parse_instant(came["at"])
    made = signed_in(config, name, url).post(f"{_path(lot)}/receipts", dict(came))
    what = "Received" if made["what"] == "received" else "Refused"
    return f"{what} for {lot}: {made['material']}, lot {made['supplier_lot']}, {made['weight_kg']} kg. It is receipt {made['seq']}."


def withdraw(config: Path, lot: str, receipt: int, reason: str, name: str, url: str) -> str:
    """Take a receipt back."""
    signed_in(config, name, url).post(f"{_path(lot)}/receipts/{receipt}/withdraw", {"reason": reason})
    return f"Receipt {receipt} of {lot} is taken back; it stays on record."


def release(config: Path, lot: str, comment: str, name: str, url: str) -> str:
    """Sign the release."""
    made = signed_in(config, name, url).post(f"{_path(lot)}/release", {"comment": comment})
    return f"{lot} is released by {made['by']}."


def _path(lot: str) -> str:
    return f"/api/v1/lots/{quote(lot, safe='')}"


def _stand(found: Mapping[str, Any]) -> str:
    released = found["released"]
    if released and found["release_again"]:
        return f"released by {released['by']}, but a deviation was opened since: the release does not stand for it."
    if released:
        return f"released by {released['by']}."
    if found["on_hold"]:
        return f"ON HOLD by {', '.join(found['on_hold'])}."
    return "not released yet." if found["missing"] else "nothing holds it; a reviewer can release it."


def _zone(config: Path) -> Any:
    from monitor.config import load_config

    return read_plan(load_config(config, check_bells=False).plan).site.zone


def _when(at: str, zone: Any) -> str:
    return local(parse_instant(at), zone).strftime("%Y-%m-%d %H:%M")
