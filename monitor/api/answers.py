"""What answers carry, as schemas: read by the description of the API alone, and only when somebody asks for it.

The models validate nothing at run time: an answer goes out as the desk gave it. Tests hold real answers to them.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, WithJsonSchema

#: An instant as text, ISO 8601 with Z.
When = Annotated[str, WithJsonSchema({"type": "string", "format": "date-time"})]
#: How a watch, a limit or a lot stands.
Verdict = Literal["open", "met", "deviated", "unproven"]
#: What is provisional since the board started without the right time.
Provisional = Annotated[
    Literal["", "time", "verdicts"],
    Field(description='"time": every time and verdict; "verdicts": time is known, and what was read before is being judged again.'),
]
#: `next` of a list.
Next = Annotated[str | None, Field(description="The `after` of the page that follows; null: this is the last.")]


class Answer(BaseModel):
    """One object of an answer; a field that is not described here is not sent."""

    model_config = ConfigDict(extra="forbid")


def shown(value: Any) -> ConfigDict:
    """The configuration of an answer with one example for OpenAPI."""
    return ConfigDict(extra="forbid", json_schema_extra={"examples": [value]})
