"""A FastAPI endpoint that reads a JSON body and says how many items it had; nothing is checked, kept or judged."""

import json

from fastapi import FastAPI, Request

app = FastAPI()


@app.post("/api/v1/readings")
async def push(request: Request) -> dict[str, int]:
    """Count the items of a body."""
    return {"items": len(json.loads(await request.body()))}
