"""The page's program: files, events, history, and actions that go to a station as commands."""

from __future__ import annotations

import asyncio
import contextlib
import re
import time
from collections.abc import AsyncIterator, Callable, Sequence
from pathlib import Path
from typing import Protocol

import msgspec
from sse_starlette import EventSourceResponse
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from bus.errors import PayloadError, TopicError
from bus.payloads import Answer, Command, Result, decode_command
from bus.subscriber import BrokerAway, BrokerThere, CommandLost, Heard, Told, Unreadable
from bus.topics import CORNERS
from shopboard.guard import COOKIE, HEADERS, Guard
from shopboard.pages import MOST_PAGES, Page, Pages
from shopboard.plausible import implausible
from shopboard.shown import result_data, rulers_of
from shopboard.view import Shop

STATIC = Path(__file__).with_name("static")

TYPES = {
    "html": "text/html; charset=utf-8",
    "css": "text/css; charset=utf-8",
    "js": "text/javascript; charset=utf-8",
    "svg": "image/svg+xml",
}

MOST_BODY = 16_000
"""Bytes in the longest request."""

WRONG_TOKEN_S = 1.0
"""An answer to a wrong token takes so long, seconds, one after another: guessing is slow."""

COOKIE_S = 30 * 24 * 3600

MOST_HISTORY = 200
"""Measurements that a history shows, the newest ones."""

Past = Callable[[str | None], Sequence[Result]]
"""Measurements of a vehicle from a log, or the newest of any (None); may block, is called in a thread."""


class Ear(Protocol):
    """Hears the stations and asks them: ``bus.subscriber.Subscriber``."""

    def told(self) -> AsyncIterator[Told]:
        """All that is heard."""

    async def request(self, shop: str, station: str, command: Command) -> Answer:
        """Ask a station."""


class _Asked(msgspec.Struct):
    shop: str
    station: str
    command: msgspec.Raw


class _Typed(msgspec.Struct):
    token: str


class Board:
    """The shop's page.

    Attributes:
        shop: What it shows.
        pages: Those that are open.

    Args:
        ear: Hears the stations.
        guard: Says who may.
        past: Gives measurements of before, from a log; None without one.
    """

    def __init__(self, ear: Ear, guard: Guard, past: Past | None = None) -> None:
        self.shop = Shop()
        hello = {"token": guard.action_token, "log": past is not None}
        self.pages = Pages(self.shop, hello)
        self._ear = ear
        self._guard = guard
        self._past = past
        self._one_guess = asyncio.Lock()

    async def listen(self) -> None:
        """Hear what the stations tell, and hand it to the pages, until it is cancelled.

        Raises:
            SettingsError: If a file or variable that the settings name cannot be used.
        """
        both = [
            asyncio.create_task(self.pages.run(), name="hands news out"),
            asyncio.create_task(self._hear(), name="hears stations"),
        ]
        try:
            await asyncio.gather(*both)
        finally:
            for one in both:
                one.cancel()
            await asyncio.gather(*both, return_exceptions=True)

    def application(self) -> ASGIApp:
        """The application, to be served."""
        names = sorted(one.name for one in STATIC.iterdir() if one.suffix[1:] in TYPES)
        files = {name: (STATIC / name).read_bytes() for name in names}

        async def file(request: Request) -> Response:
            name = request.path_params.get("name", "board.html")
            if name not in files:
                return Response("there is no such page", 404)
            return Response(files[name], headers={"content-type": TYPES[name.rpartition(".")[2]]})

        routes = [
            Route("/", file, methods=["GET"]),
            Route("/static/{name}", file, methods=["GET"]),
            Route("/events", self.events, methods=["GET"]),
            Route("/history", self.history, methods=["GET"]),
            Route("/enter", self.enter, methods=["POST"]),
            Route("/command", self.command, methods=["POST"]),
        ]
        return Starlette(routes=routes, middleware=[Middleware(_Guarded, guard=self._guard)])

    async def events(self, request: Request) -> Response:
        """The stream of a page: of the shop, or of one corner."""
        if not self._guard.may_see(request):
            return _no(401, "type the token first")
        page = Page()
        station, corner = request.query_params.get("station"), request.query_params.get("corner")
        if station is not None:
            if corner not in CORNERS or not re.fullmatch(r"[\w-]{1,64}(/[\w-]{1,64})?", station):
                return _no(404, "there is no such station or corner")
            shop, _, name = station.rpartition("/")
            page = Page((shop, name), corner)
        if len(self.pages) >= MOST_PAGES:
            return _no(503, f"{MOST_PAGES} pages are open already: close one")
        return EventSourceResponse(self.pages.events(page), ping=3600, headers=HEADERS)

    async def history(self, request: Request) -> Response:
        """Measurements of a vehicle, the newest first."""
        if not self._guard.may_see(request):
            return _no(401, "type the token first")
        vehicle = request.query_params.get("vehicle") or None
        known = {one.measurement_id: one for one in self.shop.results.values()}
        trouble = None
        if self._past is not None:
            try:
                found = await asyncio.get_running_loop().run_in_executor(None, self._past, vehicle)
            except Exception as error:  # noqa: BLE001 - whatever is wrong with a log is said on the page
                trouble = f"the log cannot be read: {error}"
            else:
                known |= {one.measurement_id: one for one in found if implausible(one) is None}
        ordered = sorted(known.values(), key=lambda one: one.at, reverse=True)
        chosen = [one for one in ordered if vehicle is None or one.vehicle == vehicle][:MOST_HISTORY]
        return _json(
            {
                "vehicles": sorted({one.vehicle for one in ordered if one.vehicle}),
                "results": [result_data(one) | {"trace": None} for one in chosen],
                "rulers": rulers_of(chosen) if vehicle is not None else [],
                "log": self._past is not None,
                "trouble": trouble,
            }
        )

    async def enter(self, request: Request) -> Response:
        """Let a page in whose reader typed the right token."""
        if not self._guard.same_origin(request):
            return _no(403, "this did not come from the board's own page")
        body = await _body(request)
        try:
            token = msgspec.json.decode(body or b"", type=_Typed).token
        except msgspec.DecodeError:
            return _no(400, "no token was sent")
        if not self._guard.right(token):
            async with self._one_guess:
                await asyncio.sleep(WRONG_TOKEN_S)
            return _no(403, "that is not the token")
        answer = _json({"ok": True, "text": "welcome"})
        answer.set_cookie(
            COOKIE,
            self._guard.session,
            max_age=COOKIE_S,
            httponly=True,
            samesite="strict",
            secure=request.headers["origin"].startswith("https:"),
        )
        return answer

    async def command(self, request: Request) -> Response:
        """Do what a page asks: send a command to a station, and give its answer back."""
        if (refusal := self._refusal(request)) is not None:
            return refusal
        body = await _body(request)
        if body is None:
            return _no(413, f"a command has at most {MOST_BODY} bytes")
        try:
            asked = msgspec.json.decode(body, type=_Asked)
            command = decode_command(bytes(asked.command))
            answer = await self._ear.request(asked.shop, asked.station, command)
        except (msgspec.DecodeError, PayloadError, TopicError) as error:
            return _no(400, str(error))
        except CommandLost as error:
            return _no(504, str(error))
        return _json({"ok": answer.ok, "text": answer.text})

    def _refusal(self, request: Request) -> Response | None:
        """Why whoever asks may not act; None if that may be."""
        if not self._guard.same_origin(request):
            return _no(403, "this did not come from the board's own page")
        if not self._guard.may_see(request):
            return _no(401, "type the token first")
        if not self._guard.may_act(request):
            return _no(403, "the page is from before the board was started: load it again")
        if request.headers.get("content-type", "").partition(";")[0].strip() != "application/json":
            return _no(415, "a command is JSON")
        return None

    async def _hear(self) -> None:
        async for told in self._ear.told():
            match told:
                case Heard(topic=topic, message=message):
                    self.shop.take(topic, message, time.monotonic())
                case BrokerThere():
                    self.shop.broker_there()
                case BrokerAway(why=why):
                    self.shop.broker_away(why)
                case Unreadable(topic=topic, why=why):
                    self.shop.unreadable(topic, why)
            if self.shop.has_news:
                self.pages.wake()


class _Guarded:
    """Puts the headers on every answer, and answers only to names of this machine where there is no token."""

    def __init__(self, app: ASGIApp, guard: Guard) -> None:
        self._app = app
        self._guard = guard
        self._headers = [(name.encode(), value.encode()) for name, value in HEADERS.items()]

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                ours = {name for name, _ in self._headers}
                kept = [one for one in message["headers"] if one[0] not in ours]
                message = {**message, "headers": [*kept, *self._headers]}
            await send(message)

        if not self._guard.known_host(Request(scope)):
            refusal = _no(421, "this board answers at 127.0.0.1 and localhost only")
            await refusal(scope, receive, send_with_headers)
            return
        await self._app(scope, receive, send_with_headers)


async def _body(request: Request) -> bytes | None:
    """What was sent; None if it is too much."""
    data = b""
    async with contextlib.aclosing(request.stream()) as pieces:
        async for piece in pieces:
            data += piece
            if len(data) > MOST_BODY:
                return None
    return data


def _json(item: object) -> Response:
    return Response(msgspec.json.encode(item), media_type="application/json")


def _no(code: int, text: str) -> JSONResponse:
    return JSONResponse({"ok": False, "text": text}, code)
