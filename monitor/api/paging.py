"""Long lists, a page at a time, and answers that need not be sent again."""

from __future__ import annotations

import gzip
import hashlib
from collections.abc import Callable, Coroutine, Sequence
from pathlib import Path
from typing import Annotated, Any, NamedTuple

from fastapi import Depends, Query, Request
from fastapi.responses import FileResponse, Response
from fastapi.routing import APIRoute

from monitor.errors import InputError

MOST = 500
#: A browser may keep it, and asks each time whether it still fits.
_ASK_AGAIN = "private, no-cache"


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
    headers = {"ETag": tag, "Cache-Control": _ASK_AGAIN, "Vary": "Accept-Encoding"}
    if _held(request, tag):
        return Response(status_code=304, headers=headers)
    if packs:
        packed = gzip.compress(content.encode(), mtime=0)
        return Response(packed, media_type=media_type, headers=headers | {"Content-Encoding": "gzip"})
    return Response(content, media_type=media_type, headers=headers)


class TaggedRoute(APIRoute):
    """A route whose JSON bears an ETag, made of the very bytes that are sent; 304 without a body where the sender has them already."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """The handler of the route, and the tag put on what it answers."""
        plain = super().get_route_handler()

        async def handler(request: Request) -> Response:
            made = await plain(request)
            if made.status_code != 200:
                return made
            tag = f'"{hashlib.sha256(made.body).hexdigest()[:32]}"'
            made.headers.update({"ETag": tag, "Cache-Control": _ASK_AGAIN})
            return _unsent(made, tag) if _held(request, tag) else made

        return handler


def tagged_file(request: Request, path: Path, media_type: str, filename: str) -> Response:
    """A file to be downloaded, tagged by its content; 304 without a body where the sender has it already.

    Not by its time: the same day packed again is the same file, and a download that broke off goes on where it was.
    """
    with path.open("rb") as file:
        tag = f'"{hashlib.file_digest(file, "sha256").hexdigest()[:32]}"'
    made = FileResponse(path, media_type=media_type, filename=filename, headers={"ETag": tag, "Cache-Control": _ASK_AGAIN})
    return _unsent(made, tag) if _held(request, tag) else made


def _held(request: Request, tag: str) -> bool:
    """Whether If-None-Match names this content (RFC 9110, 13.1.2: weak comparison)."""
    held = [one.strip().removeprefix("W/") for one in request.headers.get("If-None-Match", "").split(",")]
    return tag in held or "*" in held


def _unsent(made: Response, tag: str) -> Response:
    return Response(status_code=304, headers={"ETag": tag, "Cache-Control": made.headers["Cache-Control"]})
