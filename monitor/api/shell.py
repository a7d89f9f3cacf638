"""What surrounds every answer, ours and the page's: the limits of bodies and of requests, and the security headers."""

from __future__ import annotations

import math

from starlette.datastructures import MutableHeaders
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from monitor.api.pace import Pace, unhindered
from monitor.api.problems import problem
from probes import push

#: What a push may carry (`probes.push`); a gateway with more sends it in several requests.
MOST_BYTES = push.MOST_BYTES

#: Only what this service serves itself, and no script or style inside a page (W3C Content Security Policy Level 3).
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; font-src 'self'; connect-src 'self'; "
    "manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
_HEADERS = (
    ("Content-Security-Policy", POLICY),
    ("X-Content-Type-Options", "nosniff"),
    # A signed link must not travel on in a Referer header.
    ("Referrer-Policy", "no-referrer"),
    ("Cross-Origin-Opener-Policy", "same-origin"),
    ("Cross-Origin-Resource-Policy", "same-origin"),
)
#: A month (RFC 6797): a site whose certificate was a mistake gets back to plain HTTP within it.
_HTTPS_ONLY = "max-age=2592000"


class Shell:
    """ASGI middleware; plain, since it runs for every reading."""

    def __init__(self, app: ASGIApp, most_bytes: int = MOST_BYTES, pace: Pace | None = None) -> None:
        self._app, self._most, self._pace = app, most_bytes, pace or Pace()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on with its body counted and its answer dressed."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        keep_nothing, encrypted = scope["path"].startswith("/api/"), scope["scheme"] == "https"

        async def dressed(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS:
                    headers.setdefault(name, value)
                if encrypted:
                    headers.setdefault("Strict-Transport-Security", _HTTPS_ONLY)
                if keep_nothing:
                    headers.setdefault("Cache-Control", "no-store")
            await send(message)

        address = scope["client"][0] if scope.get("client") else ""
        wait_s = 0.0 if unhindered(scope["path"], address) else self._pace.wait_s(address)
        if wait_s:
            text = f"{address} sends too many requests; go on after the seconds that Retry-After says"
            await problem("too-many-tries", text, headers={"Retry-After": str(math.ceil(wait_s))})(scope, receive, dressed)
            return
        length = next((v for k, v in scope["headers"] if k == b"content-length"), b"")
        if length.isdigit() and int(length) > self._most:
            await problem("too-large", self._sentence(int(length)))(scope, receive, dressed)
            return
        came = 0

        async def counted() -> Message:
            nonlocal came
            message = await receive()
            if message["type"] == "http.request":
                came += len(message.get("body", b""))
                if came > self._most:
                    raise HTTPException(413, self._sentence(came))
            return message

        await self._app(scope, counted, dressed)

    def _sentence(self, size: int) -> str:
        return f"the body has {size} bytes or more; send at most {self._most} in one request"
