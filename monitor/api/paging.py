"""Long lists, a page at a time, and answers that need not be sent again."""

from __future__ import annotations

import gzip
import hashlib
from collections.abc import Sequence
from typing import Annotated, Any, NamedTuple

from fastapi import Depends, Query, Request
from fastapi.responses import Response

from monitor.errors import InputError

MOST = 500


class Page(NamedTuple):
    """How many items are asked for, and after which."""

    limit: int
    after: str


def _page(
    limit: Annotated[int, Query(ge=1, le=MOST, description="At most so many.")] = 100,
    after: Annotated[str, Query(max_length=80, description="`next` of the page before; blank: from the first.")] = "",
) -> Page:
    return Page(limit, after)


ThePage = Annotated[Page, Depends(_page)]


def paged(name: str, items: Sequence[dict[str, Any]], page: Page, key: str = "id") -> dict[str, Any]:
    """One page of a list under its name, and `next`, the `after` of the page that follows (None: this is the last).

    A page begins after an item and not at a number, so that what is added at the top meanwhile moves nothing out of sight.
    """
    begin = 0
    if page.after:
        found = [n for n, one in enumerate(items) if str(one[key]) == page.after]
        if not found:
            raise InputError(f'after is "{page.after}", which is not in this list; write the `next` of the page before, or leave it out')
        begin = found[0] + 1
    shown = list(items[begin : begin + page.limit])
    return {name: shown, "next": str(shown[-1][key]) if shown and begin + page.limit < len(items) else None}


def tagged(request: Request, content: str, media_type: str) -> Response:
    """The answer with its ETag (RFC 9110, 8.8.3 and 13.1.2, 2022); 304 without a body where the sender has it already."""
    # A chart holds no secret that its length could tell of, and shrinks to a fifth. Packed it has a tag of its own (8.8.3.3).
    packs = media_type == "image/svg+xml" and "gzip" in request.headers.get("Accept-Encoding", "")
    tag = f'"{hashlib.sha256(content.encode()).hexdigest()[:32]}{"-gzip" if packs else ""}"'
    headers = {"ETag": tag, "Cache-Control": "private, no-cache", "Vary": "Accept-Encoding"}
    held = [one.strip().removeprefix("W/") for one in request.headers.get("If-None-Match", "").split(",")]
    if tag in held or "*" in held:
        return Response(status_code=304, headers=headers)
    if packs:
        packed = gzip.compress(content.encode(), mtime=0)
        return Response(packed, media_type=media_type, headers=headers | {"Content-Encoding": "gzip"})
    return Response(content, media_type=media_type, headers=headers)
