"""The page's own thread with its small loop. Nothing that measures or alarms waits for it, or falls with it."""

import asyncio
import os
import socket
import threading
from errno import EPERM
from typing import TYPE_CHECKING

import structlog

from gateway.model.errors import CamdriftError
from gateway.outlets.page.inputs import PageInputs

if TYPE_CHECKING:
    from uvicorn import Server

    from gateway.outlets.page.stream import Stream

RETRY_S = 10.0
CONNECTIONS_BESIDE_VIEWERS = 32
STOP_S = 5.0


class PageServer:
    """Serves the page until stopped. `fault`: why it is not served just now, empty when well; `port`: the real one."""

    name = "page"

    def __init__(self, inputs: PageInputs) -> None:
        self._in, self._settings = inputs, inputs.settings.page
        self.fault = "not started"
        self.port = self._settings.port
        self.ready = threading.Event()
        self._stopping = threading.Event()
        self._end: asyncio.Event | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._log = structlog.get_logger("page")
        self._thread = threading.Thread(target=self._run, name="page", daemon=True)

    def start(self) -> None:
        """Start the thread; a port that cannot be had is told and tried again, for nothing else hangs on it."""
        self._thread.start()

    def stop(self) -> bool:
        """Send the viewers home and end. True if it ended in time."""
        self._stopping.set()
        loop, end = self._loop, self._end
        if loop is not None and end is not None and not loop.is_closed():
            loop.call_soon_threadsafe(end.set)
        if self._thread.ident is not None:
            self._thread.join(STOP_S)
        return not self._thread.is_alive()

    def _run(self) -> None:
        told = ""
        while not self._stopping.is_set():
            try:
                self._serve()
                told = ""
            except (CamdriftError, OSError) as e:
                self.fault = f"the page is not served on {self._where}: {getattr(e, 'strerror', None) or e}"
            except Exception as e:
                self.fault = f"the page failed: {type(e).__name__}: {e}"
                self._log.error("the page failed and is begun anew", why=self.fault, exc_info=True)
            if self.fault and self.fault != told:
                told = self.fault
                self._log.warning(self.fault)
            self._stopping.wait(RETRY_S)

    @property
    def _where(self) -> str:
        return f"{self._settings.listen}:{self._settings.port}"

    def _serve(self) -> None:
        with socket.create_server(
            (self._settings.listen, self._settings.port),
            family=socket.AF_INET6 if ":" in self._settings.listen else socket.AF_INET,
        ) as listening:
            self.port = int(listening.getsockname()[1])
            asyncio.run(self._serve_on(listening))

    async def _serve_on(self, listening: socket.socket) -> None:
        # Only here, so that a gateway without a page does not carry its library.
        from uvicorn import Config, Server

        from gateway.outlets.page.app import Page

        s = self._settings
        if s.key_file is not None and os.stat(s.key_file).st_mode & 0o077:
            raise PermissionError(EPERM, f"key_file {s.key_file}: others may read it; chmod 600 {s.key_file}")
        page = Page(self._in)
        server = Server(
            Config(
                page.app,
                loop="asyncio",
                http="h11",
                ws="none",
                lifespan="off",
                log_config=None,
                access_log=False,
                server_header=False,
                proxy_headers=False,
                limit_concurrency=s.viewers_max + CONNECTIONS_BESIDE_VIEWERS,
                timeout_keep_alive=15,
                # Without it a viewer's open stream keeps the server from ever ending.
                timeout_graceful_shutdown=2,
                ssl_certfile=s.cert_file,
                ssl_keyfile=s.key_file,
            )
        )
        self._loop, self._end = asyncio.get_running_loop(), asyncio.Event()
        if self._stopping.is_set():
            self._end.set()
        ending = asyncio.create_task(_end_with(self._end, server, page.stream))
        try:
            self.fault = ""
            self.ready.set()
            await server.serve(sockets=[listening])
        finally:
            ending.cancel()
            page.close()


async def _end_with(end: asyncio.Event, server: "Server", stream: "Stream") -> None:
    await end.wait()
    stream.close()
    server.should_exit = True
