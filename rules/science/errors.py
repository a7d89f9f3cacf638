"""What can go wrong in `rules.science`.

RulesError (rules/errors.py)
└── ScienceError     a number that an equation cannot take
    └── OutOfRange   a number that it could take, outside the range for which it was published

Every message is one sentence: what, with which value, where, and what to write instead.
"""

from __future__ import annotations

from rules.errors import RulesError


class ScienceError(RulesError):
    """A number that an equation cannot take: not finite, of the wrong sign, in the wrong unit, out of order."""


class OutOfRange(ScienceError):
    """Outside the range for which the equation was published; nothing is computed."""
