"""The start page: which sensor, who, which exercise; before there is a session. For whoever sits at this machine."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Protocol

from starlette.background import BackgroundTask
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from biofeedback.errors import BiofeedbackError, SessionError
from biofeedback.web.live import Live
from biofeedback.web.recording_actions import read_order

HEADERS = {"cache-control": "no-store", "x-content-type-options": "nosniff"}
Order = Mapping[str, Any]


class StartPage(Protocol):
    """What the start page needs of the program. Every method may take seconds and is called in a thread of its own.

    BiofeedbackError is a mistake of no field in particular; ``mistakes`` of an error (field to error) stand at theirs.
    """

    def describe(self) -> Order:
        """What the form offers, and what it says at first."""
        ...

    def list_athletes(self) -> Any:
        """A card for each athlete whose recordings are here."""
        ...

    def open_programme(self, order: Order) -> Order:
        """The text of an athlete's programme."""
        ...

    def save_programme(self, order: Order) -> Order:
        """Check and keep it."""
        ...

    def open_trial(self, order: Order) -> Order:
        """An athlete's trial, or what can be drawn."""
        ...

    def draw_trial(self, order: Order) -> Order:
        """Draw one and store it."""
        ...

    def find_ports(self) -> Any:
        """The serial ports that are here."""
        ...

    def ask_port(self, order: Order) -> Order:
        """Who is at a port."""
        ...

    def scan_radios(self) -> Any:
        """The Bluetooth devices that are near."""
        ...

    def write(self, order: Order) -> Order:
        """The form as a source, and as a command line."""
        ...

    def tell_apart(self, order: Order) -> Order:
        """Watch several sensors; which one is moved."""
        ...

    def hear(self, order: Order) -> Order:
        """Listen to the form's board; what its lines hold."""
        ...

    def keep(self, order: Order) -> Order:
        """Keep what was understood of a board's lines as a profile."""
        ...

    def check(self, order: Order) -> Order:
        """Watch the form's source and judge it."""
        ...

    def begin(self, order: Order) -> Order:
        """Begin the session of the form; says which ``place`` to go to."""
        ...

    def seat(self, order: Order) -> Order:
        """Whether the form's athlete can sit beside those who have a seat in the group."""
        ...

    def begin_group(self, order: Order) -> Order:
        """Begin the sessions of a group."""
        ...


def make_routes(start_page: StartPage, begun: Callable[[], None], page: Callable[[Request], Any]) -> list[BaseRoute]:
    """The routes; ``page`` serves its HTML, ``begun`` is called when the page knows where to go."""

    def begin(act: Callable[[Order], Order]) -> Callable[[Request], Any]:
        async def respond(request: Request) -> Response:
            told = await _answer(act, await read_order(request))
            after = None if "mistakes" in told else BackgroundTask(_call, begun)
            return JSONResponse(told, headers=HEADERS, background=after)

        return _read_well(respond)

    return [
        Route("/start", page),
        Route("/start/about", _look(start_page.describe)),
        Route("/start/athletes", _look(start_page.list_athletes)),
        Route("/start/programme", _do(start_page.open_programme), methods=["POST"]),
        Route("/start/keep-programme", _do(start_page.save_programme), methods=["POST"]),
        Route("/start/trial", _do(start_page.open_trial), methods=["POST"]),
        Route("/start/draw-trial", _do(start_page.draw_trial), methods=["POST"]),
        Route("/start/ports", _look(start_page.find_ports)),
        Route("/start/ask", _do(start_page.ask_port), methods=["POST"]),
        Route("/start/radios", _do(lambda order: start_page.scan_radios()), methods=["POST"]),
        Route("/start/write", _do(start_page.write), methods=["POST"]),
        Route("/start/which", _do(start_page.tell_apart), methods=["POST"]),
        Route("/start/hear", _do(start_page.hear), methods=["POST"]),
        Route("/start/keep", _do(start_page.keep), methods=["POST"]),
        Route("/start/check", _do(start_page.check), methods=["POST"]),
        Route("/start/begin", begin(start_page.begin), methods=["POST"]),
        Route("/start/seat", _do(start_page.seat), methods=["POST"]),
        Route("/start/begin-group", begin(start_page.begin_group), methods=["POST"]),
    ]


def reply_to_renewal(renew: Callable[[], None], lives: Sequence[Live]) -> Response:
    """End the sessions so that another can be chosen, unless an effort is under way."""
    if any(is_running(live.state()) for live in lives):
        error = SessionError("an effort is under way", "stop it first; then end the session")
        return JSONResponse(_tell_mistakes(error), headers=HEADERS)
    return JSONResponse({"place": "/start"}, headers=HEADERS, background=BackgroundTask(_call, renew))


async def reply_late(_request: Request) -> Response:
    """A question of a start page that was still under way when the session began: told, instead of no such place."""
    error = SessionError("a session has begun", "this page shows it in a moment")
    return JSONResponse(_tell_mistakes(error), headers=HEADERS)


def is_running(state: Mapping[str, Any]) -> bool:
    """Whether somebody is at it: a plan, or an attempt at a maximum. As ``isRunning`` of the page."""
    step = (state.get("maximum") or {}).get("step")
    return state.get("stage") == "plan" or (state.get("stage") == "maximum" and step in ("countdown", "push"))


async def _call(function: Callable[[], None]) -> None:
    """On the event loop: a plain function would be called in a thread."""
    function()


def _look(find: Callable[[], Any]) -> Callable[[Request], Any]:
    async def respond(_request: Request) -> Response:
        return JSONResponse(await _answer(find), headers=HEADERS)

    return respond


def _do(act: Callable[[Order], Any]) -> Callable[[Request], Any]:
    async def respond(request: Request) -> Response:
        return JSONResponse(await _answer(act, await read_order(request)), headers=HEADERS)

    return _read_well(respond)


def _read_well(respond: Callable[[Request], Any]) -> Callable[[Request], Any]:
    async def answered(request: Request) -> Response:
        try:
            response: Response = await respond(request)
        except BiofeedbackError as error:  # of reading the order
            return JSONResponse(_tell_mistakes(error), headers=HEADERS)
        return response

    return answered


async def _answer(act: Callable[..., Any], *given: Any) -> Any:
    """What it gives, or ``{"mistakes": ...}``: a form that is not filled in yet is no error of the request."""
    try:
        return await asyncio.to_thread(act, *given)
    except BiofeedbackError as error:
        return _tell_mistakes(error)


def _tell_mistakes(error: BiofeedbackError) -> dict[str, Any]:
    mistakes: Mapping[str, BiofeedbackError] = getattr(error, "mistakes", None) or {"": error}
    return {"mistakes": [{"field": name, "what": one.what, "cure": one.cure} for name, one in mistakes.items()]}
