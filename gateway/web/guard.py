"""What every question must pass before anything reads it, and the headers that every answer carries."""

import ipaddress
import json
from collections.abc import Awaitable, Callable, Iterable, MutableMapping
from typing import Any

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

POLICY = (
    "default-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; object-src 'none'; "
    "script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self'"
)
HEADERS = [
    (b"content-security-policy", POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), geolocation=(), microphone=()"),
]
URL_BYTES_MAX = 2_048


class Guard:
    """ASGI middleware. A page of another name, brought to this address by a forged name service, gets nothing.

    `referrer`: a page with forms needs `same-origin`, since without a referrer browsers send no origin with a form.
    """

    def __init__(self, app: App, names: Iterable[str], referrer: str = "no-referrer") -> None:
        self._app = app
        self._headers = [*HEADERS, (b"referrer-policy", referrer.encode())]
        self._names = {"localhost", *(n.lower() for n in names)}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on, or refuse."""
        if scope["type"] != "http":
            return

        async def with_headers(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message.get("headers", []), *self._headers]
            await send(message)

        headers = {k.lower(): v.decode("latin-1") for k, v in scope["headers"]}
        refused = self._refused(scope, headers)
        if refused is not None:
            await _answer(with_headers, *refused)
            return
        await self._app(scope, receive, with_headers)

    def _refused(self, scope: Scope, headers: dict[bytes, str]) -> tuple[int, str] | None:
        host = headers.get(b"host", "")
        if not self._known(host):
            return 421, "This page does not go by that name; add it to page.names in the settings."
        if len(scope["path"]) + len(scope.get("query_string", b"")) > URL_BYTES_MAX:
            return 414, "The address is too long."
        if scope["method"] == "POST":
            origin = headers.get(b"origin")
            if origin is not None and origin.partition("://")[2] != host:
                return 403, "Another page asked; refused."
        return None

    def _known(self, host: str) -> bool:
        name = host.rpartition(":")[0] if host.rpartition(":")[2].isdigit() else host
        if name.lower() in self._names:
            return True
        try:
            ipaddress.ip_address(name.strip("[]"))
        except ValueError:
            return False
        # An address cannot be forged by a name service.
        return True


async def _answer(send: Send, status: int, text: str) -> None:
    body = json.dumps({"why": text}).encode()
    await send(
        {
            "type": "http.response.start",
            "status": status,
            "headers": [(b"content-type", b"application/json"), (b"content-length", str(len(body)).encode())],
        }
    )
    await send({"type": "http.response.body", "body": body})
