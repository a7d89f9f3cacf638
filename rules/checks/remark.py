"""One remark of a plan check."""

from __future__ import annotations

from typing import Literal, NamedTuple, TypeAlias

Severity: TypeAlias = Literal["error", "warning", "note"]


class PlanRemark(NamedTuple):
    """One thing to know about a plan, in one sentence. `line` is that of the plan file, 0 where unknown.

    An error keeps the plan from being used as it stands; a warning asks a person to look; a note only says.
    """

    severity: Severity
    sentence: str
    line: int
