"""The web server of the desk and of the live stand: a page, its few files, and one websocket; on the
loopback, unless another address of this machine is asked for."""

from __future__ import annotations

import asyncio
import json
import secrets
import signal
import socket
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import asynccontextmanager
from functools import partial
from typing import Any, Protocol, TypeVar, cast

import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route, WebSocketRoute
from starlette.websockets import WebSocket, WebSocketDisconnect

from bench.desk.crowd import BACKLOG, LARGEST_HEAD, LARGEST_MESSAGE, MOST_PAGES, QUEUE, Visitor, keep_quiet
from bench.desk.guard import Guard
from bench.errors import UserError
from bench.system import ENDING

LOOPBACK = "127.0.0.1"
_TOKEN_BYTES = 24


class Client(Protocol):
    """One open page, as the one who serves it knows it."""

    async def next(self) -> dict[str, Any]:
        """The next message to send to it."""


C = TypeVar("C", bound=Client)
Door = Callable[[Request], Awaitable[Response]]


class Served(Protocol[C]):
    """What is served: the desk, or the stand. All of it runs in the server's one thread."""

    files: dict[str, tuple[str, bytes]]
    """Content type and content by name; index.html is the page."""

    @property
    def doors(self) -> Mapping[str, tuple[str, Door]]:
        """What is made or taken when it is asked for, by name: its method and who answers."""

    async def start(self) -> None:
        """Begin to work."""

    async def stop(self) -> None:
        """End the work."""

    def join(self) -> C:
        """A page has come."""

    def leave(self, client: C, /) -> None:
        """A page has gone."""

    async def take(self, client: C, text: str | None, /) -> None:
        """Do what a message of a page asks for."""


def new_token() -> str:
    """A token that nobody guesses."""
    return secrets.token_urlsafe(_TOKEN_BYTES)


def listen(port: int, host: str = LOOPBACK) -> socket.socket:
    """A socket that listens on an IPv4 address of this machine; port 0 takes any free one. UserError where it
    cannot be had."""
    made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        # so that a desk can be started again at once on the port of the last one
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind((host, port))
        made.listen(QUEUE)
    except (OSError, ValueError, TypeError) as error:  # the latter two: nothing that can be an address
        made.close()
        why = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        what = f"the port cannot be had: {why.lower()}"
        right = "another port, or none for any free one; an address must be one of this machine"
        raise UserError(what, f"{host}:{port}", right) from None
    return made


def make_app(desk: Served[C], port: int, token: str, host: str = LOOPBACK) -> Guard:
    """The application for a desk. Its files are read once, and no path of a request reaches the disk."""
    files = desk.files
    pages: set[WebSocket] = set()

    async def give(request: Request) -> Response:
        name = request.path_params.get("name", "index.html")
        if name not in files:
            return Response("Nothing here.\n", 404, media_type="text/plain")
        kind, content = files[name]
        return Response(content, headers={"Content-Type": kind})

    async def live(websocket: WebSocket) -> None:
        if len(pages) >= MOST_PAGES:
            await websocket.close(1013)  # RFC 6455's registry: try again later
            return
        pages.add(websocket)
        try:
            await _live(websocket, desk)
        finally:
            pages.discard(websocket)

    @asynccontextmanager
    async def life(_: Starlette) -> AsyncIterator[None]:
        await desk.start()
        try:
            yield
        finally:
            await desk.stop()

    routes: list[BaseRoute] = [
        WebSocketRoute(f"/{token}/live", live),
        Route(f"/{token}/", give),
        *(Route(f"/{token}/{name}", door, methods=[method]) for name, (method, door) in desk.doors.items()),
        Route(f"/{token}/{{name}}", give),
    ]
    return Guard(Starlette(routes=routes, lifespan=life), port, token, host)


async def _live(websocket: WebSocket, desk: Served[C]) -> None:
    """One open page: sends it what is new, and takes what it asks for."""
    await websocket.accept()
    client = desk.join()

    async def send() -> None:
        while True:
            await websocket.send_text(json.dumps(await client.next()))

    sending = asyncio.create_task(send())
    try:
        while True:
            message = await websocket.receive()
            if message["type"] == "websocket.disconnect":
                break
            await desk.take(client, message.get("text"))
    except WebSocketDisconnect:
        pass
    finally:
        desk.leave(client)
        sending.cancel()
        await asyncio.gather(sending, return_exceptions=True)


class _Server(uvicorn.Server):
    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        for one in sockets or ():
            one.listen(QUEUE)


def make_server(app: Any) -> uvicorn.Server:
    """A quiet server for an application; `run(sockets=[...])` serves until Ctrl-C."""
    config = uvicorn.Config(
        app,
        http=cast("type[asyncio.Protocol]", partial(Visitor, waiting={})),
        h11_max_incomplete_event_size=LARGEST_HEAD,
        backlog=BACKLOG,
        access_log=False,
        log_config=None,
        log_level="error",  # a warning is what anybody on this machine can cause without the token
        lifespan="on",
        ws="websockets-sansio",
        ws_max_size=LARGEST_MESSAGE,
        ws_per_message_deflate=False,  # nothing to save on the loopback, and it takes time
        server_header=False,
        proxy_headers=False,
        timeout_graceful_shutdown=1,  # an open page must not hold the end up
    )
    return _Server(config)


def serve(desk: Served[C], port: int, ready: Callable[[str], None], host: str = LOOPBACK) -> None:
    """Serve a desk until Ctrl-C; `ready` is called with its address when it can be opened."""
    with listen(port, host) as listening:
        number = int(listening.getsockname()[1])
        token = new_token()
        server = make_server(make_app(desk, number, token, host))
        # Where the terminal goes away: end as at SIGTERM, which the server takes.
        for ending in ENDING:
            if ending != signal.SIGTERM and signal.getsignal(ending) == signal.SIG_DFL:
                signal.signal(ending, lambda *_: signal.raise_signal(signal.SIGTERM))
        keep_quiet()
        ready(f"http://{host}:{number}/{token}/")
        server.run(sockets=[listening])
