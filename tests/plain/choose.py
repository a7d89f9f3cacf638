"""Where a generated scenario's choices come from: a seed, or Hypothesis."""

from __future__ import annotations

import random
from collections.abc import Sequence
from typing import Protocol, TypeVar

from hypothesis import strategies as st

T = TypeVar("T")


class Choose(Protocol):
    """Where choices come from."""

    def among(self, options: Sequence[T]) -> T:
        """One of some options, the first being the simplest."""

    def number(self, low: int, high: int) -> int:
        """A whole number, both ends included."""

    def chance(self, percent: int) -> bool:
        """True so often in a hundred."""


class Seeded:
    """Choices of a seeded generator."""

    def __init__(self, seed: int) -> None:
        self.random = random.Random(seed)

    def among(self, options: Sequence[T]) -> T:
        """One of some options."""
        return self.random.choice(options)

    def number(self, low: int, high: int) -> int:
        """A whole number."""
        return self.random.randint(low, high)

    def chance(self, percent: int) -> bool:
        """True so often in a hundred."""
        return self.random.randrange(100) < percent


class Drawn:
    """Choices drawn by Hypothesis, which shrinks towards the first option, the lowest number, and no."""

    def __init__(self, draw: st.DrawFn) -> None:
        self.draw = draw

    def among(self, options: Sequence[T]) -> T:
        """One of some options."""
        return self.draw(st.sampled_from(options))

    def number(self, low: int, high: int) -> int:
        """A whole number."""
        return self.draw(st.integers(low, high))

    def chance(self, percent: int) -> bool:
        """True so often in a hundred."""
        return self.draw(st.integers(0, 99)) >= 100 - percent
