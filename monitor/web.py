"""The page and the API inside the service: made once judging goes on, and tried again where they cannot be had.

FastAPI, the templates and what they bring take as long to load as everything else together, and neither judging nor a bell needs
them. So the port is taken at once, whoever asks meanwhile waits, and the app behind it is made when the service answers.
"""

from __future__ import annotations

import asyncio
import socket
import threading
from collections.abc import Callable
from contextlib import nullcontext
from typing import TYPE_CHECKING

from monitor import tls
from monitor.config import Config
from monitor.errors import RefusedError
from monitor.log import get_logger

if TYPE_CHECKING:
    import uvicorn
    from fastapi import FastAPI

log = get_logger(__name__)
#: A page that could not be brought up is tried again after this.
_AGAIN_S = 60.0


class Web:
    """One port, and what answers on it. `make` makes the app; `trouble` hears why nothing answers, and "" once it does."""

    def __init__(self, config: Config, make: Callable[[], FastAPI], trouble: Callable[[str], None]) -> None:
        self._config, self._make, self._trouble = config, make, trouble
        #: The port that answers, also where the configuration left it to the system (0), once it is taken.
        self.port = config.server.port
        self._app: FastAPI | None = None
        self._making = threading.Lock()
        self._stop = threading.Event()
        self._server: uvicorn.Server | None = None
        self._socket: socket.socket | None = None

    @property
    def app(self) -> FastAPI:
        """The ASGI app, made when it is first asked for."""
        with self._making:
            if self._app is None:
                self._app = self._make()
            return self._app

    @property
    def answering(self) -> bool:
        """Whether the page and the API answer."""
        return self._server is not None and self._server.started

    def bind(self) -> socket.socket:
        """Take the port that the page and the API answer on; RefusedError where it is not to be had."""
        if self._socket is None or self._socket.fileno() < 0:  # a server that failed has closed it
            tls.options(self._config.server)  # a pair that does not fit is told before anything is judged
            host = self._config.server.host
            family = socket.AF_INET6 if ":" in host else socket.AF_INET
            try:
                self._socket = socket.create_server((host, self.port), family=family, backlog=2048, dualstack_ipv6=host == "::")
            except OSError as error:
                raise RefusedError(
                    f"port {self.port} of {host} cannot be taken ({error.strerror}); end the program that has it, or write another "
                    f"under [server] in {self._config.path.name}"
                ) from error
            # asyncio sets this only where it made the socket itself (its protocol is 0 here), and Linux passes it on to each connection.
            # Without it the second part of an answer waits for the first to be acknowledged: 40 ms (RFC 896 meeting RFC 1122, 4.2.3.2).
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self.port = int(self._socket.getsockname()[1])
        return self._socket

    async def serve(self, settled: Callable[[], None]) -> None:
        """Answer until `stop()`. `settled` is called once: when the page answers, or is found not to."""
        told, left = "", [settled]

        def up() -> None:
            while left:
                left.pop()()

        while not self._stop.is_set():
            try:
                await self._answer(up)
            except (Exception, SystemExit) as error:  # whatever is wrong with the page, judging and the bells go on
                text = f"{type(error).__name__}: {error}" if not isinstance(error, RefusedError) else str(error)
                log.error("page", text=text, exc_info=error if text != told else None)  # the same trouble is told at length once
                told = text
                self._server = self._app = None
                self._trouble(text)
                up()
            await asyncio.to_thread(self._stop.wait, _AGAIN_S)

    async def _answer(self, settled: Callable[[], None]) -> None:
        listening = self.bind()  # who asks before the app is made waits for it
        import uvicorn

        server = self._config.server
        config = uvicorn.Config(
            self.app, host=server.host, port=self.port, log_level="warning", access_log=False, lifespan="on", timeout_graceful_shutdown=5,
            ws="none",  # nothing here speaks it, and what does costs 1 MB
            log_config=None,  # its own would write past the service's log, a traceback on many lines
            **tls.options(server),
        )  # fmt: skip
        self._server = uvicorn.Server(config)
        self._server.capture_signals = nullcontext  # type: ignore[assignment]  # the command handles signals itself
        if self._stop.is_set():  # asked to end while it was still starting: nobody was there to hear it
            return
        watching = asyncio.ensure_future(self._watch(self._server, settled))
        try:
            await self._server.serve(sockets=[listening])
        finally:
            watching.cancel()

    async def _watch(self, server: uvicorn.Server, settled: Callable[[], None]) -> None:
        while not server.started:
            await asyncio.sleep(0.02)
        self._trouble("")
        settled()

    def changed(self) -> None:
        """Something was found: tell the pages that are open."""
        if self._app is not None:
            self._app.state.feed.changed()

    def stop(self) -> None:
        """End; from any thread or a signal handler."""
        self._stop.set()
        if self._app is not None:
            self._app.state.feed.close()  # or the server would wait for the pages that are open
        if self._server is not None:
            self._server.should_exit = True

    def close(self) -> None:
        """Give the port back."""
        self._stop.set()
        if self._socket is not None:
            self._socket.close()
