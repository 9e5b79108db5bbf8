"""A file of another program brought in on the page: uploaded, shown as it was understood, made a recording.

Only for whoever sits at this machine: a file is read by parsers of several formats and becomes a recording here.
"""

from __future__ import annotations

import asyncio
import re
import secrets
import shutil
import tempfile
import weakref
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from biofeedback.errors import BiofeedbackError, RecordingError
from biofeedback.storage import disk
from biofeedback.web.access import is_here
from biofeedback.web.recording_actions import read_order

MOST_BYTES = 512 * 2**20  # of one file; what is larger is converted where it lies
N_KEPT = 3  # files brought and not yet made recordings; the oldest goes first
ROLES = ("table", "beside", "events")
HEADERS = {"cache-control": "no-store", "x-content-type-options": "nosniff"}
NOT_HERE = "Not from here.\n"
Order = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Brought:
    """The file, and the table of phases and ratings that came with it."""

    path: Path
    events: Path | None = None


class Bringing(Protocol):
    """What the page needs of the program. Each may take seconds and is called in a thread of its own."""

    def look(self, brought: Brought, order: Order) -> Order:
        """What was understood of the file under what was said about it; or the problem and its cure."""
        ...

    def draw(self, brought: Brought, order: Order) -> Order:
        """Lowest and highest of each channel in each of some columns of time."""
        ...

    def take(self, brought: Brought, order: Order) -> Order:
        """Make it a recording beside the others; its name."""
        ...


@dataclass(slots=True, weakref_slot=True)
class BringPlace:
    """The routes, and what was uploaded until the program ends."""

    bringing: Bringing
    _folder: Path | None = field(init=False, default=None)
    _kept: dict[str, dict[str, Path]] = field(init=False, default_factory=dict)

    def routes(self, page: Callable[[Request], Any]) -> list[Route]:
        """``page`` serves the place's HTML."""
        return [
            Route("/review/bring", _only_here(page)),
            Route("/review/bring/file", _only_here(self._receive), methods=["POST"]),
            Route("/review/bring/look", _only_here(self._do(self.bringing.look)), methods=["POST"]),
            Route("/review/bring/draw", _only_here(self._do(self.bringing.draw)), methods=["POST"]),
            Route("/review/bring/take", _only_here(self._do(self.bringing.take)), methods=["POST"]),
        ]

    def _do(self, act: Callable[[Brought, Order], Order]) -> Callable[[Request], Any]:
        async def respond(request: Request) -> Response:
            order = await read_order(request)
            brought = self._find(str(order.get("id", "")))
            return JSONResponse(await asyncio.to_thread(act, brought, order), headers=HEADERS)

        return respond

    def _find(self, number: str) -> Brought:
        files = self._kept.get(number, {})
        if "table" not in files:
            raise RecordingError("the file is not here any more", "choose it once more")
        return Brought(files["table"], files.get("events"))

    async def _receive(self, request: Request) -> Response:
        """The bytes of one file, under its own name; ``id`` puts it beside those that came before."""
        query = request.query_params
        name, role, number = clean_name(query.get("name", "")), query.get("as", "table"), query.get("id", "")
        if not name or role not in ROLES or (number and number not in self._kept):
            raise RecordingError("the file that was chosen is not understood", "reload the page and choose it again")
        number = number or secrets.token_hex(8)
        path = self._make_room(number, role) / name
        n_bytes = 0
        try:
            with path.open("wb") as file:
                async for part in request.stream():
                    n_bytes += len(part)
                    if n_bytes > MOST_BYTES:
                        cure = f"make it a recording where it lies: biofeedback convert {name}"
                        raise RecordingError(f"{name} has more than {MOST_BYTES // 2**20} MB", cure)
                    file.write(part)
        except BaseException:
            path.unlink(missing_ok=True)
            raise
        self._kept.setdefault(number, {})[role] = path
        return JSONResponse({"id": number, "name": name}, headers=HEADERS)

    def _make_room(self, number: str, role: str) -> Path:
        """The folder of one upload; a JSON of our own export lies beside its table, events apart from both."""
        if self._folder is None:
            self._folder = Path(tempfile.mkdtemp(prefix="biofeedback-brought-"))
            weakref.finalize(self, shutil.rmtree, self._folder, ignore_errors=True)
        while len(self._kept) >= N_KEPT and number not in self._kept:
            for path in self._kept.pop(next(iter(self._kept))).values():
                path.unlink(missing_ok=True)
        folder = self._folder / number / ("events" if role == "events" else "file")
        folder.mkdir(parents=True, exist_ok=True)
        return folder


def clean_name(name: str) -> str:
    """The last part of a file's name, of plain signs only: no path, nothing hidden."""
    last = re.split(r"[/\\]", name)[-1]
    return re.sub(r"[^\w .()+-]", "_", last).strip(" .")[-120:]


def _only_here(respond: Callable[[Request], Any]) -> Callable[[Request], Any]:
    async def answered(request: Request) -> Response:
        if not is_here(request.scope):
            return PlainTextResponse(NOT_HERE, status_code=403, headers=HEADERS)
        try:
            response: Response = await respond(request)
        except BiofeedbackError as error:
            return PlainTextResponse(f"{error}.\n", status_code=404, headers=HEADERS)
        except OSError as error:
            return PlainTextResponse(f"{'; '.join(disk.explain(error))}.\n", status_code=404, headers=HEADERS)
        return response

    return answered
