"""The piece in changing surroundings against the first-term solution, which tests/published/test_heat_tables.py holds to its sources."""

from __future__ import annotations

import math

import pytest

from rules.rehearsal.settings import TRANSFER
from rules.science.conduction import LEAN, SAUSAGE, Material, Piece
from rules.science.heat import Shape, decade_time, first_term

#: alpha 1.3e-7 m²/s, k 0.45 W/(m K): the sausage of HT7 to HT9.
STUFF = Material("sausage", 1.3e-7, 0.45, "C")


def seconds_to(piece: Piece, core_c: float, surroundings_c: float, transfer: float, step_s: float = 1.0) -> float:
    """Seconds until the core has fallen to a temperature."""
    passed = 0.0
    while piece.core_c > core_c:
        piece.step(step_s, surroundings_c, transfer)
        passed += step_s
    return passed


@pytest.mark.parametrize("shape", ["slab", "cylinder", "sphere"])
@pytest.mark.parametrize(("across_mm", "transfer"), [(26, 20.0), (60, 20.0), (100, 8.0), (30, 300.0)])
def test_piece_cools_as_the_first_term_says(shape: Shape, across_mm: float, transfer: float) -> None:
    """70 °C into 2 °C, to 10 °C, where the first term alone is right: within half a per cent, 1 % for the fast ones."""
    radius = across_mm / 2000.0
    term = first_term(shape, transfer * radius / STUFF.conductivity)
    asked = decade_time(radius, STUFF.diffusivity, term.eigenvalue) * math.log10(term.lag * 68.0 / 8.0)
    found = seconds_to(Piece(shape, radius, 70.0, STUFF), 10.0, 2.0, transfer, 1.0 if transfer > 100 else 5.0)
    assert found == pytest.approx(asked, rel=0.01 if transfer > 100 else 0.005)


def test_rolled_beef_cools_in_the_published_time() -> None:
    """HT10: rolled beef of 110 mm, air 0 °C at 1.2 m/s, 70 to 10 °C: 5.1 h (forequarter), 4.9 h (silverside); textbook, a copy."""
    beef = Material("beef", 1.3e-7, 0.45, "C")
    hours = seconds_to(Piece("cylinder", 0.055, 70.0, beef), 10.0, 0.0, TRANSFER["chamber"], 10.0) / 3600.0
    assert 4.7 < hours < 5.3


def test_long_and_short_steps_come_to_the_same() -> None:
    """The step asked for is divided as stability needs it."""
    fine, coarse = Piece("cylinder", 0.015, 4.0, SAUSAGE), Piece("cylinder", 0.015, 4.0, SAUSAGE)
    for _ in range(1800):
        fine.step(1.0, 75.0, 20.0)
    for _ in range(3):
        coarse.step(600.0, 75.0, 20.0)
    assert coarse.core_c == pytest.approx(fine.core_c, abs=0.05)


def test_core_never_passes_its_surroundings() -> None:
    """Heat flows downhill, also in a bath and with one long step."""
    piece = Piece("cylinder", 0.015, 4.0, LEAN)
    for transfer, surroundings in ((300.0, 95.0), (8.0, 20.0), (300.0, 0.0)):
        low, high = min(*piece.shells, surroundings), max(*piece.shells, surroundings)
        piece.step(36_000.0, surroundings, transfer)
        assert all(low - 1e-9 <= c <= high + 1e-9 for c in piece.shells)
        assert piece.core_c == pytest.approx(surroundings, abs=0.5)


def test_piece_of_no_size_is_refused() -> None:
    """Rather than divided by zero."""
    with pytest.raises(ValueError, match="write a radius above 0"):
        Piece("cylinder", 0.0, 4.0, SAUSAGE)
