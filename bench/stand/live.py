"""The live stand behind its page: passes on the ticks of a feed, and what a hand on the page does."""

from __future__ import annotations

import asyncio
import json
import threading
from collections import deque
from functools import partial
from typing import TYPE_CHECKING, Any

from bench.calibration import load
from bench.errors import UserError
from bench.link.protocol import ARMED, LAUNCH
from bench.page import built
from bench.stand.feed import Feed, Ticks, Turned
from bench.stand.page import render_live
from firmware_model.binding import OUTPUT_TYPES

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

_WAITING = 300  # messages; a page that sleeps for longer misses what came meanwhile
_MOST_TICKS = 2000  # in one message of a page


class Watcher:
    """One open page. `hand`: it moves the nose."""

    def __init__(self, hand: bool) -> None:
        self.hand = hand
        self._waiting: deque[dict[str, Any]] = deque(maxlen=_WAITING)
        self._ready = asyncio.Event()
        self.put({"kind": "hello", "hand": hand})

    def put(self, message: dict[str, Any]) -> None:
        """Leave a message to be sent."""
        self._waiting.append(message)
        self._ready.set()

    async def next(self) -> dict[str, Any]:
        """The next message to send."""
        while not self._waiting:
            self._ready.clear()
            await self._ready.wait()
        return self._waiting.popleft()


class Live:
    """What is served: the page of a calibration, and the ticks of a feed to all pages that are open. The
    first of them is the hand, where one moves the nose; when it goes the next one that comes is."""

    def __init__(
        self, feed: Feed, calibration: CalibrationFile, version: str, fed: str, every: int, loads: bool = True
    ) -> None:
        """`loads`: pages may load the calibration's file anew, once a person has changed it."""
        self._render = partial(render_live, version=version, fed=fed, every=every, loads=loads and feed.loads)
        self._loads = loads and feed.loads
        self._loading = False
        self.files = {
            "index.html": ("text/html; charset=utf-8", self._render(calibration).encode()),
            "stand.js": ("text/javascript; charset=utf-8", built("stand.js")),
            "stand.css": ("text/css; charset=utf-8", built("stand.css")),
            "icon.svg": ("image/svg+xml", built("icon.svg")),
            "stand-licences.txt": ("text/plain; charset=utf-8", built("stand-licences.txt")),
        }
        self.doors: dict[str, Any] = {}
        self.failed: UserError | None = None
        self._feed = feed
        self._calibration = calibration
        self._turned = self._new_engine()
        self._pages: set[Watcher] = set()
        self._ended = threading.Event()
        self._thread: threading.Thread | None = None
        self._last: dict[str, Any] | None = None

    def _new_engine(self) -> Turned:
        return Turned(self._calibration.number("cylinders"), self._calibration.tick_us)

    async def start(self) -> None:
        """Begin to listen to the feed, in a thread."""
        loop = asyncio.get_running_loop()

        def put(message: dict[str, Any]) -> None:
            loop.call_soon_threadsafe(self._tell, message)

        def work() -> None:
            try:
                self._feed.run(lambda ticks: put(message_of(ticks)), self._ended)
                put({"kind": "ended", "text": "The recording has ended."})
            except UserError as error:
                self.failed = error
                put({"kind": "ended", "text": str(error)})

        self._thread = threading.Thread(target=work, daemon=True)
        self._thread.start()

    async def stop(self) -> None:
        """End it."""
        self._ended.set()
        if self._thread is not None:
            await asyncio.to_thread(self._thread.join, 5)

    def _tell(self, message: dict[str, Any]) -> None:
        if message["kind"] == "ended":
            self._last = message
        for page in self._pages:
            page.put(message)

    def join(self) -> Watcher:
        """A page has come."""
        hand = self._feed.by_hand and not any(page.hand for page in self._pages)
        page = Watcher(hand)
        if hand:
            self._turned = self._new_engine()
            self._feed.begin()
        if self._last is not None:
            page.put(self._last)
        self._pages.add(page)
        return page

    def leave(self, client: Watcher) -> None:
        """A page has gone."""
        self._pages.discard(client)

    async def take(self, client: Watcher, text: str | None) -> None:
        """The ticks that the hand's page asks for, or to load the calibration. Nonsense, and another page's
        ticks, are left aside."""
        try:
            asked = json.loads(text or "")
            if asked["do"] == "load":
                self._load(client, asked["on_stands"] is True)
            elif client.hand and asked["do"] == "ticks" and 0 < len(asked["inputs"]) <= 5 * _MOST_TICKS:
                self._feed.give(self._turned.inputs(asked["inputs"]))
        except (ValueError, TypeError, KeyError, RecursionError):
            client.put({"kind": "said", "text": "That was no input of a tick."})

    def _load(self, client: Watcher, on_stands: bool) -> None:
        """Read the calibration's file again and load it; all pages begin anew with it then."""
        loop = asyncio.get_running_loop()

        def done(why: str) -> None:
            self._loading = False
            if why:
                client.put({"kind": "said", "text": f"Not loaded: {why}"})
                return
            self._calibration = changed
            self.files["index.html"] = ("text/html; charset=utf-8", self._render(changed).encode())
            self._tell({"kind": "reload"})

        if not (self._loads and on_stands) or self._loading:
            client.put({"kind": "said", "text": "Not loaded: say first that the car is on stands."})
            return
        try:
            changed = load(self._calibration.path)
        except UserError as error:
            client.put({"kind": "said", "text": f"Not loaded: {error}"})
            return
        if changed.tick_us != self._calibration.tick_us:
            client.put({"kind": "said", "text": "Not loaded: another tick; start the stand anew."})
            return
        self._loading = True

        def answer(why: str) -> None:
            loop.call_soon_threadsafe(done, why)

        self._feed.load(changed.image, answer)


def message_of(ticks: Ticks) -> dict[str, Any]:
    """Ticks as a page reads them: five inputs a tick, all outputs a tick in the order of the binding, how
    many events fell due after each, and what the events did (null where they are not told)."""
    inputs = ticks.inputs
    rows = zip(
        inputs["counts"].tolist(), inputs["speed"].tolist(), inputs["engine"].tolist(),
        ((inputs["switches"] & ARMED) != 0).astype(int).tolist(),
        ((inputs["switches"] & LAUNCH) != 0).astype(int).tolist(), strict=True,
    )  # fmt: skip
    outputs = zip(*(ticks.outputs[name].tolist() for name in OUTPUT_TYPES), strict=True)
    return {
        "kind": "ticks",
        "inputs": [number for row in rows for number in row],
        "outputs": [number for row in outputs for number in row],
        "due": inputs["events"].tolist(),
        "events": None if ticks.events is None else [byte & 3 for byte in ticks.events],
        "lost": ticks.lost,
        "begins": ticks.begins,
    }
