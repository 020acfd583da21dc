"""The desk behind its page: takes what the pages ask for, works out the newest state, and tells every page.

While a result is being worked out further changes only replace one another, so that a fast hand never makes
the picture lag: the latest one wins.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from typing import Any

from bench.calibration import CalibrationMistakes, compile_text
from bench.cautions import CAUTIONS, MODEL
from bench.desk.begin import begin, questions
from bench.desk.convert import convert
from bench.desk.logs import LARGEST_LOG, SIGNALS, Logs
from bench.desk.news import News
from bench.desk.result import View, ceilings, work_out
from bench.desk.runs import Laid, Runs
from bench.desk.session import Session, WouldReplace
from bench.desk.source import Source
from bench.desk.transfer import doors
from bench.desk.words import on_page
from bench.errors import UserError
from bench.page import built
from bench.replay.inputs import Options
from bench.trace.text import shown

_KEEP_AFTER_S = 0.2
_LOOK_EACH_S = 1.0
_TOP_SHARE = 1.2  # the picture of the ceilings reaches so much above the highest of them
_HEARD_LIMIT = 2**53


_TYPES = {
    "index.html": "text/html; charset=utf-8",
    "desk.js": "text/javascript; charset=utf-8",
    "desk.css": "text/css; charset=utf-8",
    "icon.svg": "image/svg+xml",
    "desk-licences.txt": "text/plain; charset=utf-8",
}


class Client:
    """One open page. `heard` is the number of the last request of its own that was carried out; of the
    messages that it has not yet been sent only the newest of each kind is kept."""

    def __init__(self) -> None:
        self.heard = 0
        self.has_result = False
        self._news = News()
        self._waiting: dict[str, dict[str, Any]] = {}
        self._ready = asyncio.Event()

    def put(self, message: dict[str, Any]) -> None:
        """Leave a message to be sent. What only some messages carry, a result, is kept of the one before."""
        self._waiting[message["kind"]] = {**self._waiting.get(message["kind"], {}), **message}
        self._ready.set()

    async def next(self) -> dict[str, Any]:
        """The next message to send."""
        while not self._waiting:
            self._ready.clear()
            await self._ready.wait()
        message = self._waiting.pop(next(iter(self._waiting)))
        return self._news.of(message) if message["kind"] == "state" else message


class Desk:
    """One session, its source of results, and the pages that are open on it."""

    def __init__(self, session: Session, source: Source) -> None:
        self.files = {name: (kind, built(name)) for name, kind in _TYPES.items()}
        self.session = session
        self.runs = Runs(source)
        self._first = source
        self.view = View()
        self.clients: set[Client] = set()
        self._compare = False
        self._notices = list(session.notices)
        if source.remark:
            self._notices.append(source.remark)
        self._changed = asyncio.Event()
        self._unkept = asyncio.Event()
        self._tasks: list[asyncio.Task[None]] = []
        self._disk: tuple[str, View, dict[str, Any]] | None = None
        self._good: dict[str, Any] | None = None  # the last result that there was
        self.logs = Logs()
        self.doors = doors(self)
        self._of_logs: dict[str, Callable[[dict[str, Any]], Any]] = {
            "log column": lambda of: self.logs.correct(*map(of.get, ("log", "column", "role", "unit"))),
            "log rate": lambda of: self.logs.rate(of.get("log"), of.get("rate")),
            "log away": lambda of: self.logs.put_away(of.get("log")),
            "log layout": self._keep_layout,
            "log use": self._use,
            "log lay": self._lay,
        }

    @property
    def source(self) -> Source:
        """The run that the figures are of."""
        return self.runs.chosen.source

    # -- life

    async def start(self) -> None:
        """Begin to work."""
        self._changed.set()
        self._tasks = [asyncio.create_task(work()) for work in (self._answer, self._keep, self._watch)]

    async def stop(self) -> None:
        """End the work; what was done is kept."""
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        self.session.close()
        self.logs.close()

    def join(self) -> Client:
        """A page has come."""
        client = Client()
        self.clients.add(client)
        client.put(self._said_of_logs())
        self._changed.set()
        return client

    def leave(self, client: Client) -> None:
        """A page has gone."""
        self.clients.discard(client)
        self._changed.set()

    # -- what pages ask for

    async def take(self, client: Client, text: str | None) -> None:
        """Do what a message of a page asks for. What cannot be done is said to that page."""
        said: dict[str, Any] = {"kind": "said", "about": ""}
        try:
            asked = _parsed(text)
            said["about"] = str(asked["do"])
            done = await self._do(asked)
            if isinstance(asked.get("id"), int):
                client.heard = min(asked["id"], _HEARD_LIMIT)
            if done:
                client.put(said | {"text": done, "fine": True})
        except WouldReplace as error:
            client.put(said | {"text": str(error), "taken": error.reason})
        except UserError as error:
            client.put(said | {"text": on_page(str(error))})
        except OSError as error:
            what = error.strerror or type(error).__name__
            client.put(said | {"text": str(UserError(what, error.filename or ""))})

    async def _do(self, asked: dict[str, Any]) -> str:
        """Carry out one request; gives a line to say, or nothing."""
        session, said = self.session, ""
        match asked["do"]:
            case "set":
                gesture = asked.get("gesture", "")
                session.set(asked.get("values"), gesture[:100] if isinstance(gesture, str) else "")
            case "undo" | "redo" | "start over" as what:
                {"undo": session.undo, "redo": session.redo, "start over": session.start_over}[what]()
            case "compare":
                self._compare = asked.get("on") is True
            case "view":
                number = asked.get("launch", self.view.launch)
                if isinstance(number, bool) or not isinstance(number, int) or not 0 <= number < 10_000:
                    raise UserError("no such launch", right="give its number")
                self.view = replace(self.view, launch=number, whole=asked.get("whole") is True)
            case "take from disk":
                await asyncio.to_thread(session.take_from_disk)
                said = f"These are the settings of {shown(session.name, 80)} as it is on disk now."
            case "save":
                said = await self._save(asked)
            case "run choose" | "run away":
                self._choose(asked)
            case "dismiss":
                self._notices = []
            case "begin" | "convert" as what:
                said = {"begin": self._begin, "convert": self._convert}[what](asked)
            case what if what in self._of_logs:
                # one after the other: nothing else is asked for while a log is read again
                said = (await asyncio.to_thread(self._of_logs[what], asked)) or ""
                self.tell_logs()
            case _:
                raise UserError("the desk knows no such request", right="reload the page")
        self._unkept.set()
        self._changed.set()
        return said

    async def _save(self, asked: dict[str, Any]) -> str:
        name = asked.get("name", "")
        if not isinstance(name, str):
            raise UserError("is not a file name", right="give a name")
        # Not in a thread: nothing may change between the check and the end of the writing.
        saved = self.session.save(name, replace=asked.get("replace") is True)
        if not saved.written:
            return f"{shown(saved.path.name, 120)} says this already; it was left as it is."
        said = f"Saved as {shown(str(saved.path), 200)}."
        if saved.old is not None:
            said += f" What was there before is {shown(saved.old.name, 120)} beside it."
        return said

    # -- logs, and a calibration for someone who has none

    def _said_of_logs(self) -> dict[str, Any]:
        return {
            "kind": "logs", "logs": self.logs.facts(), "largest": LARGEST_LOG, "signals": SIGNALS,
            "questions": questions(),
        }  # fmt: skip

    def tell_logs(self) -> None:
        """Tell all pages what logs there are."""
        for client in self.clients:
            client.put(self._said_of_logs())

    def _keep_layout(self, asked: dict[str, Any]) -> str:
        path = self.logs.keep_layout(asked.get("log"), asked.get("name"), self.session.folder)
        return f"Kept as {shown(str(path), 200)}: logs with this header are read by it from now on."

    def _use(self, asked: dict[str, Any]) -> str:
        """Show a log's run; the one before stays where it cannot be replayed."""
        trace = self.logs.trace(asked.get("log"), asked.get("run"))
        source = Source(trace, Options(), self.source.vehicle)
        source.replay(self.session.settings.cal)
        self._show(source)
        return f"The run shown is of {shown(trace.path.name, 80)}."

    def _lay(self, asked: dict[str, Any]) -> str:
        """Lay a log's run over those that are shown."""
        trace = self.logs.trace(asked.get("log"), asked.get("run"))
        source = Source(trace, Options(), None)
        if not source.replay(self.session.settings.cal).runs:
            what = "no launch was found, so nothing aligns it with the others"
            raise UserError(what, shown(trace.path.name, 80), "say in the table which column is the launch")
        laid = self.runs.lay(source)
        return f"{laid.name} lies over the run, both from their launch on."

    def _choose(self, asked: dict[str, Any]) -> None:
        """Make another run the one that the figures are of, or take one away."""
        if asked["do"] == "run away":
            self.runs.take_away(asked.get("run"))
            return
        vehicle = self.source.vehicle
        self.runs.choose(asked.get("run"))
        self.source.vehicle = vehicle  # the car that is foreseen is the same, whatever run is looked at
        self.view = View()
        self._disk = self._good = None

    def _show(self, source: Source) -> None:
        self.runs.show(source)
        self.view = View()
        self._disk = self._good = None

    def _begin(self, asked: dict[str, Any]) -> str:
        """Go on with a new calibration; the work on the present one is kept as it is."""
        calibration, car = begin(asked.get("answers"), self.session.folder)
        session = Session(calibration)
        self._go_on_with(session)
        said = f"Written: {shown(str(calibration), 200)} and {car.name}. A mild start, no setting for a race."
        try:
            self.source.replay(session.settings.cal)
        except UserError as error:
            self._show(Source(self._first.trace, Options(), None))
            said += f" The run that was shown does not fit it: {on_page(str(error))}"
        self._disk = self._good = None
        return said

    def _convert(self, asked: dict[str, Any]) -> str:
        """Say what ceilings as maps, or maps as ceilings, would change; with a name do it in a new file."""
        session = self.session
        made = convert(compile_text(session.settings.text(session.values), session.source))
        name = asked.get("name", "")
        if not name:
            return " ".join(made.says)
        path = session.write_beside(name, made.text)
        self._go_on_with(Session(path))
        return f"Written: {shown(str(path), 200)}. {shown(session.name, 80)} is as it was."

    def _go_on_with(self, session: Session) -> None:
        self.session.close()
        self.session = session
        self._notices = list(session.notices)
        self._disk = self._good = None

    # -- what goes on meanwhile

    async def _answer(self) -> None:
        """Work out the newest state as long as there is a newer one."""
        while True:
            await self._changed.wait()
            self._changed.clear()
            heard = {client: client.heard for client in self.clients}
            message = self._state()
            compare, view = self._compare, self.view
            source, others = self.source, self.runs.others
            try:
                # values are never changed in place, so that the thread may read them
                found = await asyncio.to_thread(self._work_out, message["values"], view, source, others)
                disk = await asyncio.to_thread(self._of_disk, view) if compare else None
            except Exception as error:  # a mistake of ours must not end the desk, with all that is in it
                found = {"refused": [f"internal error, please report it: {error!r}"]}
                disk = None
            message |= found
            if not compare or disk is not None:
                message["disk"] = disk
            for client, number in heard.items():
                # Where the state is refused, a page goes on showing the last result; a new one is given it.
                missing = {} if client.has_result or "result" in message else {"result": self._good}
                client.has_result = True
                client.put(message | missing | {"heard": number})

    def _state(self) -> dict[str, Any]:
        session = self.session
        settings, values = session.settings, session.values
        built = settings.cal.built
        top = self._top()
        trouble = [session.trouble] if session.trouble and session.trouble not in self._notices else []
        return {
            "kind": "state",
            "file": session.facts(),
            "trace": {"name": self.source.trace.path.name},
            "runs": self.runs.facts(),
            "guesses": settings.guesses(values),
            "sections": settings.sections,
            "vehicle": self.source.vehicle and self.source.vehicle.path.name,
            "values": values,
            "knobs": settings.knobs(),
            "has_ceilings": settings.has_ceilings,
            "ranges": settings.ranges(values, top),
            "top": top,
            "lift_unit": built.lift_sign,
            "lift_mm": built.lift_size,
            "lift_step": settings.lift_step,
            "progress_unit": built.progress_sign,
            "undo": session.can_undo,
            "redo": session.can_redo,
            "changed": settings.changed(values),
            "compare": self._compare,
            "pages": len(self.clients),
            "notices": self._notices + trouble,
            "cautions": CAUTIONS,
            "model": MODEL,
        }

    def _top(self) -> float:
        """The end of the axis of lifts, in the file's unit: steady while a handle moves."""
        settings = self.session.settings
        full = settings.start.get("reduction_full")
        if isinstance(full, list):
            highest = max(v for v in full if isinstance(v, int | float)) * settings.cal.built.lift_size
        else:
            given = [v for v in ceilings(settings.cal)["reduction_full"] if v is not None]
            highest = max(given, default=settings.cal.far_lift_mm)
        top = max(_TOP_SHARE * highest, min(settings.cal.far_lift_mm, 2 * highest))
        step = settings.lift_step * 10
        return round(-(-top / settings.cal.built.lift_size // step) * step, 6)

    def _work_out(self, values: Any, view: View, source: Source, others: tuple[Laid, ...]) -> dict[str, Any]:
        """The result of a state, or why the checker refuses it."""
        session = self.session
        try:
            text = session.settings.text_to_try(values)
            present = session.settings.cal
            cal = compile_text(text, session.name)
            self._good = work_out(source, cal, view, present, others)
        except CalibrationMistakes as mistakes:
            refused = {"refused": [on_page(str(error)) for error in mistakes.errors]}
            if self._good is not None:
                return refused
            # Another run was chosen meanwhile: what is shown must not be that of the one before.
            self._good = work_out(source, session.settings.cal, view, None, others)
            return {**refused, "result": self._good}
        except UserError as error:
            return {"refused": [on_page(str(error))]}
        return {"refused": [], "result": self._good}

    def _of_disk(self, view: View) -> dict[str, Any]:
        """The same of the file on disk."""
        session = self.session
        if self._disk is None or self._disk[:2] != (session.disk_digest, view):
            try:
                found: dict[str, Any] = {"result": work_out(self.source, session.on_disk(), view)}
            except UserError as error:
                found = {"why_not": on_page(str(error))}
            except OSError as error:
                found = {"why_not": f"{session.name}: {error.strerror}"}
            self._disk = (session.disk_digest, view, found)
        return self._disk[2]

    async def _keep(self) -> None:
        """Keep the work soon after each change."""
        while True:
            await self._unkept.wait()
            await asyncio.sleep(_KEEP_AFTER_S)
            self._unkept.clear()
            trouble = self.session.trouble
            self.session.keep()
            if self.session.trouble != trouble:
                self._changed.set()

    async def _watch(self) -> None:
        """Notice that the file was changed by somebody else."""
        while True:
            await asyncio.sleep(_LOOK_EACH_S)
            if self.clients and self.session.look_at_disk():
                self._changed.set()


def _parsed(text: str | None) -> dict[str, Any]:
    asked: Any = None
    with suppress(ValueError, RecursionError):
        asked = json.loads(text or "")
    if not isinstance(asked, dict) or not isinstance(asked.get("do"), str):
        raise UserError("the desk does not understand this message", right="reload the page")
    return asked
