"""Who may talk to the desk: only pages that it gave out itself, on this machine.

The server listens on the loopback only, but every page in the person's browser can send requests there, and a
name that an attacker points at 127.0.0.1 makes his page look like ours. So each request and each websocket
must carry the token in its path, name the loopback as its host, and come from no other origin. Where the
person asked for another address, that one is the host; the token is all that keeps others of the network out
then, and it goes over the wire in the clear.
"""

from __future__ import annotations

import hmac
from typing import Any

Scope = dict[str, Any]

HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self' data:;"
        " base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "Cache-Control": "no-store",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
}
_LOOPBACK = ("127.0.0.1", "localhost")


class Guard:
    """An ASGI application around another one: see above. What is refused gets 403 or 404 and no reason that
    would help to guess the token."""

    def __init__(self, app: Any, port: int, token: str, host: str = _LOOPBACK[0]) -> None:
        self._app = app
        names = _LOOPBACK if host in _LOOPBACK else (host,)
        self._hosts = {f"{name}:{port}" for name in names}
        if port == 80:
            self._hosts.update(names)
        self._origins = {f"http://{host}" for host in self._hosts}
        self._prefix = f"/{token}/".encode()

    async def __call__(self, scope: Scope, receive: Any, send: Any) -> None:
        """Let a request through or refuse it."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        status = self._judge(scope)
        if status:
            await _refuse(scope, receive, send, status)
            return

        async def send_with_headers(message: dict[str, Any]) -> None:
            if message["type"] == "http.response.start":
                own = [(name.lower().encode(), value.encode()) for name, value in HEADERS.items()]
                message = {**message, "headers": [*message.get("headers", []), *own]}
            await send(message)

        await self._app(scope, receive, send_with_headers)

    def _judge(self, scope: Scope) -> int:
        """0, or the status of the refusal."""
        hosts = _all_of(scope, b"host")
        origins = _all_of(scope, b"origin")
        if len(hosts) != 1 or hosts[0] not in self._hosts:
            return 403
        if len(origins) > 1 or any(origin not in self._origins for origin in origins):
            return 403
        writes = scope["type"] == "websocket" or scope.get("method", "GET") not in ("GET", "HEAD")
        if writes and not origins:
            return 403  # a browser always names the origin of a websocket, and of what sends something
        path = scope["path"].encode("utf-8", "surrogatepass")
        if not hmac.compare_digest(path[: len(self._prefix)], self._prefix):
            return 404
        return 0


def _all_of(scope: Scope, name: bytes) -> list[str]:
    return [value.decode("latin-1") for header, value in scope["headers"] if header == name]


async def _refuse(scope: Scope, receive: Any, send: Any, status: int) -> None:
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.close", "code": 1008})
        return
    body = b"The address, with its token, is printed where it is served.\n"
    headers = [(b"content-type", b"text/plain; charset=utf-8")]
    headers += [(name.lower().encode(), value.encode()) for name, value in HEADERS.items()]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
