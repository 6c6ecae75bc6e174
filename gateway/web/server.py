"""A page's own thread with its small loop, for the page aboard and the fleet's ashore: places, TLS, start and stop."""

import asyncio
import socket
import threading
from asyncio.sslproto import SSLProtocol
from collections.abc import Callable
from errno import EPERM
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, cast

import structlog

from gateway.fault_log import loop_faults
from gateway.model.errors import CamdriftError
from gateway.model.files import SECRET_BYTES_MAX, UnfitFile, check_secret, read_small
from gateway.model.page_settings import PageSettings
from gateway.web.guard import App
from gateway.web.places import IDLE_S, Listener, Places

if TYPE_CHECKING:
    from uvicorn import Server

RETRY_S = 10.0
CONNECTIONS_BESIDE_VIEWERS = 32
ADDRESS_CONNECTIONS_MIN = 16
"""A browser opens six at a time; behind one address may stand two or three."""
ACCEPTED_AT_ONCE = 16
"""Of one turn of the loop: so many descriptors may be held above the number of places for a moment."""
SWEEP_S = 1.0
STOP_S = 5.0
TLS_BUFFER_BYTES = 32_768


class Served(Protocol):
    """What is served: `app`, `end` (answers that never end by themselves), `close` (what it holds)."""

    @property
    def app(self) -> App: ...

    def end(self) -> None:
        """Called in the loop: the server is to stop."""

    def close(self) -> None:
        """Let go of files."""


class WebServer:
    """Serves an application until stopped. `fault`: why it is not served now, empty when well; `port`: the real one."""

    name = "page"

    def __init__(self, settings: PageSettings, make: Callable[[Callable[[], None]], Served]) -> None:
        self._make, self._settings = make, settings
        self.fault = "not started"
        self.port = self._settings.port
        self.ready = threading.Event()
        self._stopping = threading.Event()
        self._end: asyncio.Event | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._log = structlog.get_logger("page")
        self._thread = threading.Thread(target=self._run, name="page", daemon=True)

    def start(self) -> None:
        """Start the thread; a port that cannot be had is reported and tried again."""
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
        shown = ""
        while not self._stopping.is_set():
            try:
                self._serve()
                shown = ""
            except (CamdriftError, OSError) as e:
                self.fault = f"the page is not served on {self._where}: {getattr(e, 'strerror', None) or e}"
            except Exception as e:
                self.fault = f"the page failed: {type(e).__name__}: {e}"
                self._log.error("the page failed and starts again", why=self.fault, exc_info=True)
            if self.fault and self.fault != shown:
                shown = self.fault
                self._log.warning(self.fault)
            self._stopping.wait(RETRY_S)

    @property
    def _where(self) -> str:
        return f"{self._settings.listen}:{self._settings.port}"

    def _serve(self) -> None:
        total = self._settings.viewers_max + CONNECTIONS_BESIDE_VIEWERS
        places = Places(total, max(ADDRESS_CONNECTIONS_MIN, total // 2))
        listening = socket.create_server(
            (self._settings.listen, self._settings.port),
            family=socket.AF_INET6 if ":" in self._settings.listen else socket.AF_INET,
        )
        with Listener(listening, places) as listener:
            self.port = int(listener.getsockname()[1])
            asyncio.run(self._serve_on(listener, places))

    async def _serve_on(self, listening: Listener, places: Places) -> None:
        # Only here, so that a gateway without a page does not carry its library.
        from uvicorn import Config, Server

        from gateway.web.protocol import PageProtocol, take_over_logs

        s = self._settings
        _check_tls_files(s)
        # The loop allots this much to each connection before its handshake; a TLS record has 16 kB at most (RFC 8446).
        SSLProtocol.max_size = TLS_BUFFER_BYTES
        page = self._make(places.relieve)
        server = Server(
            Config(
                page.app,
                loop="asyncio",
                http=cast(Any, partial(PageProtocol, places=places)),
                ws="none",
                lifespan="off",
                log_config=None,
                access_log=False,
                server_header=False,
                proxy_headers=False,
                backlog=ACCEPTED_AT_ONCE,
                timeout_keep_alive=int(IDLE_S),
                # Without it a viewer's open stream keeps the server from ever ending.
                timeout_graceful_shutdown=2,
                ssl_certfile=s.cert_file,
                ssl_keyfile=s.key_file,
            )
        )
        take_over_logs()
        self._loop, self._end = asyncio.get_running_loop(), asyncio.Event()
        loop_faults(self._loop, "page.loop_failed")
        if self._stopping.is_set():
            self._end.set()
        beside = [
            asyncio.create_task(_end_with(self._end, server, page)),
            asyncio.create_task(_sweep(places)),
        ]
        try:
            self.fault = ""
            self.ready.set()
            await server.serve(sockets=[listening])
        finally:
            for task in beside:
                task.cancel()
            page.close()


async def _sweep(places: Places) -> None:
    while True:
        await asyncio.sleep(SWEEP_S)
        places.sweep()


async def _end_with(end: asyncio.Event, server: "Server", page: Served) -> None:
    await end.wait()
    page.end()
    server.should_exit = True


def _check_tls_files(s: PageSettings) -> None:
    """Raises PermissionError where the key or the certificate is no file of ours; the library reads them by path."""
    try:
        if s.key_file is not None:
            check_secret(Path(s.key_file))
        if s.cert_file is not None:
            read_small(Path(s.cert_file), SECRET_BYTES_MAX)
    except UnfitFile as e:
        raise PermissionError(EPERM, f"cert_file {s.cert_file}, key_file {s.key_file}: {e}") from None
