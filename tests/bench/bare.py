"""Two FastAPI endpoints that read a JSON body and say how many items it had; nothing is kept or judged.

The first only parses the JSON. The second declares the body's type, as FastAPI's users do, so that each item is checked.
"""

import json
from typing import Literal

from fastapi import FastAPI, Request
from pydantic import BaseModel

app = FastAPI()


class Item(BaseModel):
    """One pushed reading, typed as its documentation says."""

    probe: str
    value: float | str | None
    unit: Literal["C", "F", "K"] = "C"
    time: float | str | None = None
    quality: Literal["ok", "suspect", "fault"] = "ok"
    reason: str = ""


@app.post("/api/v1/readings")
async def push(request: Request) -> dict[str, int]:
    """Count the items of a body."""
    return {"items": len(json.loads(await request.body()))}


@app.post("/api/v1/typed")
async def typed(body: list[Item] | Item) -> dict[str, int]:
    """Count the items of a body that FastAPI has read into their type."""
    return {"items": len(body) if isinstance(body, list) else 1}
