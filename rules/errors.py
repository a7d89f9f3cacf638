"""What can go wrong in `rules`.

RulesError
├── QuantityError    a temperature, duration or instant that cannot be read
├── PlanError        a plan that cannot be judged by; carries every mistake found
├── BookError        a limit book that is missing or malformed
├── RehearsalError   a schedule that cannot be rehearsed as asked
├── EventError       a lot event that the plan or the lot's state does not allow
└── LateEvent        older than what has been judged: replay from a snapshot before it

Every message is one sentence: what, with which value, where, and what to write instead.
"""

from __future__ import annotations

from collections.abc import Sequence


class RulesError(ValueError):
    """Root of this package's errors."""


class QuantityError(RulesError):
    """A temperature, duration or instant that cannot be read."""


class BookError(RulesError):
    """A limit book or table that is missing or malformed."""


class EventError(RulesError):
    """A lot event that the plan or the state of the lot does not allow; the event is refused whole."""


class LateEvent(RulesError):
    """The event is older than what has been judged; the engine's state is to be replayed from a snapshot before `at`."""

    def __init__(self, at: int, why: str) -> None:
        super().__init__(why)
        self.at = at


class PlanError(RulesError):
    """A plan that cannot be judged by; `problems` holds every mistake found, one sentence each."""

    def __init__(self, problems: Sequence[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = tuple(problems)


class RehearsalError(RulesError):
    """A schedule that cannot be rehearsed as asked."""
