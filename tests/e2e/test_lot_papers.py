"""The papers of a lot by command, asked of the running service."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from monitor import people
from monitor.commands.lot_papers import receive, release, show, withdraw
from monitor.commands.rejudge import SECRET
from monitor.errors import RefusedError
from rules.errors import QuantityError
from rules.quantity import parse_instant
from rules.reading import LotEvent

EVENING = parse_instant("2026-03-02T19:00:00-06:00")
CAME = {"material": "Venison trim", "supplier": "Hollow Beck Game", "supplier_lot": "HB-77", "temperature": "36 °F", "weight_kg": "42.5"}


def test_commands_write_what_came_and_tell_what_holds_a_lot(
    plant: Callable[..., Any], cook_plan: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each answers in sentences: the receipt's number, what is taken back, what a release still waits for."""
    site = plant(cook_plan, start=EVENING).up(page=True)
    site.act(LotEvent(EVENING, "start", "J-0412", "juniper-links"))
    for name in ("Odile Marsh", "Tam Okafor"):
        site.service.writer.submit(lambda conn, name=name: people.set_secret(conn, name, "juniper-9", site.clock())).result(30)
    monkeypatch.setenv(SECRET, "juniper-9")
    url, config = site.service.url(), tmp_path / "larderer.toml"
    (tmp_path / "plan.toml").write_text(cook_plan, encoding="utf-8")
    config.write_text('plan = "plan.toml"\ndata = "data"\n', encoding="utf-8")

    said = receive(config, "J-0412", CAME | {"accepted": True, "note": ""}, "Odile Marsh", url)
    number = int(said.rpartition(" ")[2].rstrip("."))
    assert said == f"Received for J-0412: Venison trim, lot HB-77, 42.5 kg. It is receipt {number}."
    with pytest.raises(QuantityError, match="temperature is '36'"):
        receive(config, "J-0412", CAME | {"temperature": "36"}, "Odile Marsh", url)
    withdraw(config, "J-0412", number, "another delivery", "Odile Marsh", url)
    lines = show(config, "J-0412", "Tam Okafor", url).splitlines()
    assert lines[0] == "Lot J-0412: not released yet."
    assert "  It has not ended." in lines
    assert lines[-1].endswith("Hollow Beck Game, lot HB-77, 42.5 kg at 36 °F, by Odile Marsh. TAKEN BACK: another delivery")
    with pytest.raises(RefusedError, match="cannot be released yet: it has not ended"):
        release(config, "J-0412", "", "Tam Okafor", url)
    with pytest.raises(RefusedError, match="this is for a reviewer"):
        release(config, "J-0412", "", "Odile Marsh", url)
