"""Files that come to the desk and go from it: logs, the report, the device's file."""

from __future__ import annotations

import asyncio
import shutil
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import TYPE_CHECKING, Protocol
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from bench.desk.give import REPORT, image, report
from bench.desk.logs import LARGEST_LOG
from bench.desk.words import on_page
from bench.errors import UserError
from bench.trace.text import shown

if TYPE_CHECKING:
    from bench.desk.logs import Logs
    from bench.desk.session import Session
    from bench.desk.source import Source

_MIB = 1 << 20


class Held(Protocol):
    """What there is at a desk."""

    logs: Logs
    session: Session

    @property
    def source(self) -> Source:
        """The run that the figures are of."""

    def tell_logs(self) -> None:
        """Tell all pages what logs there are."""


def doors(desk: Held) -> dict[str, tuple[str, Callable[[Request], Awaitable[Response]]]]:
    """What the desk's server answers besides its files: name -> method and who answers. What cannot be done
    is told in one line; where a file was asked for, with status 400."""

    async def take_log(request: Request) -> Response:
        try:
            said = await _take_log(desk, request)
        except UserError as error:
            return JSONResponse({"fine": False, "text": on_page(str(error))})
        except OSError as error:
            text = f"the log cannot be kept here: {error.strerror or type(error).__name__}"
            return JSONResponse({"fine": False, "text": text})
        return JSONResponse({"fine": True, **said})

    async def give_report(_: Request) -> Response:
        return await _give(lambda: (REPORT, report(desk.session, desk.source)), "text/html; charset=utf-8")

    async def give_image(_: Request) -> Response:
        return await _give(lambda: image(desk.session), "application/octet-stream")

    return {
        "log": ("POST", take_log),
        REPORT: ("GET", give_report),
        "image": ("GET", give_image),
    }


async def _give(make: Callable[[], tuple[str, bytes]], kind: str) -> Response:
    try:
        name, content = await asyncio.to_thread(make)
    except (UserError, OSError) as error:
        return JSONResponse({"text": on_page(str(error))}, 400)
    how = f"attachment; filename*=UTF-8''{quote(name)}"
    return Response(content, headers={"Content-Type": kind, "Content-Disposition": how})


async def _take_log(desk: Held, request: Request) -> dict[str, object]:
    """Keep the body of a request as a log and look at it."""
    number, name, path = desk.logs.new_place(request.query_params.get("name", ""))
    try:
        await _keep_body(request, path, name)
        log = await asyncio.to_thread(desk.logs.add, number, name, path, desk.session.folder)
    except BaseException:
        shutil.rmtree(path.parent, ignore_errors=True)
        raise
    desk.tell_logs()
    return {"log": log.number, "read": log.facts["read"]}


async def _keep_body(request: Request, path: Path, name: str) -> None:
    too_large = UserError(
        f"is larger than {LARGEST_LOG // _MIB} MiB", shown(name, 80),
        "cut the run out of it, or start the desk with it: liftlatch desk LOG",
    )  # fmt: skip
    told = request.headers.get("content-length", "0")
    if told.isdigit() and int(told) > LARGEST_LOG:
        raise too_large
    size = 0
    with open(path, "xb") as stream:
        async for part in request.stream():
            size += len(part)
            if size > LARGEST_LOG:
                raise too_large
            stream.write(part)
