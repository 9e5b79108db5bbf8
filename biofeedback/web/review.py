"""The review place: which recordings there are, their reports, and a trace that can be looked into."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Awaitable, Callable, Collection, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from biofeedback.errors import BiofeedbackError, RecordingError
from biofeedback.model import Channel, FloatArray
from biofeedback.storage import disk
from biofeedback.storage.library import Entry, filter_recordings, list_recordings
from biofeedback.web.access import is_here
from biofeedback.web.asking import ANSWER_S
from biofeedback.web.bringing import Bringing, BringPlace
from biofeedback.web.recording_actions import (
    IN_USE,
    SentExport,
    SentExports,
    delete_recording,
    has_log,
    is_written,
    list_files_to_delete,
    list_formats,
    read_order,
    rename_recording,
    send_export,
)

Confirm = Callable[[Request, str], Awaitable[None]]  # raises BiofeedbackError unless somebody here says yes

MAX_COLUMNS = 4000
N_KEPT = 2  # traces kept in memory: the one looked at and the one compared with it
HEADERS = {"cache-control": "no-store", "x-content-type-options": "nosniff"}


async def confirm_nothing(_request: Request, what: str) -> None:
    """Where no other device can come in."""
    raise RecordingError(f"another device asks {what}", "do it at the computer that records")


class TraceLike(Protocol):
    """What the review needs of an analysed recording."""

    @property
    def channels(self) -> Sequence[Channel]:
        """One per column."""
        ...

    @property
    def guide(self) -> int:
        """The column that the bands are about."""
        ...

    @property
    def level_rate_hz(self) -> float:
        """Levels per second."""
        ...

    @property
    def percent(self) -> FloatArray:
        """Effort, % of maximum, ``(n_levels, n_channels)``."""
        ...

    @property
    def phases(self) -> Sequence[Any]:
        """With ``number``, ``kind``, ``title``, ``band``, ``start_s``, ``end_s``."""
        ...

    @property
    def ratings(self) -> Sequence[Any]:
        """With ``time_s``, ``value`` and ``phase_number``."""
        ...


def find_columns(percent: FloatArray, first: float, end: float, n_columns: int) -> tuple[FloatArray, FloatArray]:
    """Smallest and largest of ``percent`` (n,) in each of ``n_columns`` equal parts of levels ``[first, end)``.

    Exact: no peak is lost however far one zooms out. NaN where a column holds no known level.
    """
    edges = np.linspace(first, end, n_columns + 1)
    low, high = np.full(n_columns, np.nan), np.full(n_columns, np.nan)
    starts = np.clip(np.floor(edges[:-1]).astype(int), 0, len(percent))
    ends = np.clip(np.maximum(np.floor(edges[1:]).astype(int), np.floor(edges[:-1]).astype(int) + 1), 0, len(percent))
    for k in np.flatnonzero(ends > starts):
        part = percent[starts[k] : ends[k]]
        known = part[~np.isnan(part)]
        if len(known):
            low[k], high[k] = known.min(), known.max()
    return low, high


def describe_trace(trace: TraceLike) -> dict[str, Any]:
    """Everything but the numbers: how long, which channels, where the phases and ratings lie."""
    return {
        "duration_s": len(trace.percent) / trace.level_rate_hz,
        "channels": [channel.name for channel in trace.channels],
        "guide": trace.guide,
        "phases": [
            {
                "number": phase.number,
                "kind": phase.kind,
                "title": phase.title,
                "from_s": phase.start_s,
                "to_s": phase.end_s,
                "band": [phase.band.low_percent, phase.band.high_percent] if phase.band else None,
            }
            for phase in trace.phases
        ],
        "ratings": [
            {"time_s": rating.time_s, "value": rating.value, "phase": rating.phase_number} for rating in trace.ratings
        ],
    }


@dataclass(slots=True)
class Review:
    """Routes over a folder of recordings.

    ``load_trace``, ``render_report`` and ``find_answer`` (word, text, details) are given the file's path,
    ``render_history`` an athlete's code. ``bringing`` takes files of other programs
    in. ``beside_live``: whether the same page serves a live session to go back to.
    """

    folder: Path
    load_trace: Callable[[Path], TraceLike]
    render_report: Callable[[Path], str]
    find_answer: Callable[[Path], Mapping[str, Any]]
    render_history: Callable[[str], str]
    beside_live: bool = False
    bringing: Bringing | None = None
    _kept: dict[str, tuple[int, TraceLike]] = field(init=False, default_factory=dict)
    _changing: threading.Lock = field(init=False, default_factory=threading.Lock)
    _live_names: Callable[[], Collection[str]] = field(init=False, default=tuple)
    _sent: SentExports = field(init=False, default_factory=SentExports)
    _confirm: Confirm = field(init=False, default=confirm_nothing)

    def routes(
        self,
        page: Callable[[Request], Any],
        report_headers: Mapping[str, str],
        bring_page: Callable[[Request], Any],
        live_names: Callable[[], Collection[str]] = tuple,
        confirm: Confirm = confirm_nothing,
    ) -> list[Route]:
        """The place's routes; ``page`` and ``bring_page`` serve HTML, ``live_names`` are the recordings written here.

        ``confirm`` asks at this machine whether another device may do what it wants to.
        """
        self._live_names, self._confirm = live_names, confirm

        async def show_list(request: Request) -> Response:
            listed = await asyncio.to_thread(self._list)
            return JSONResponse({**listed, "here": is_here(request.scope), "answer_s": ANSWER_S}, headers=HEADERS)

        async def report(request: Request) -> Response:
            name = request.query_params.get("name", "")
            html = await asyncio.to_thread(lambda: self.render_report(self._find(name)))
            return HTMLResponse(html, headers=report_headers)

        async def history(request: Request) -> Response:
            html = await asyncio.to_thread(self._tell_history, request.query_params.get("athlete", ""))
            return HTMLResponse(html, headers=report_headers)

        async def export(request: Request) -> Response:
            query = request.query_params
            name, to, anonymous = query.get("name", ""), query.get("to", ""), "anonymous" in query
            is_elsewhere = not is_here(request.scope)

            def make() -> Response:
                path = self._find(name)
                if is_elsewhere:
                    self._sent.check(path)
                return send_export(path, to, anonymous=anonymous, headers=HEADERS)

            with ExitStack() as held:
                if is_elsewhere:
                    held.enter_context(self._sent.hold(request.scope["device"]))
                made = await asyncio.to_thread(make)
                return SentExport(made, held.pop_all()) if is_elsewhere else made

        return [
            Route("/review", page),
            Route("/review/list", _with_errors(show_list)),
            Route("/review/about", self._answer(self._about)),
            Route("/review/answer", self._answer(lambda query: self.find_answer(self._find(query.get("name", ""))))),
            Route("/review/trace", self._answer(self._trace)),
            Route("/review/files-to-delete", self._answer(self._files_to_delete)),
            Route("/review/report", _with_errors(report)),
            Route("/review/history", _with_errors(history)),
            Route("/review/export", _with_errors(export)),
            Route("/review/rename", self._change(self._rename, self._tell_renaming), methods=["POST"]),
            Route("/review/delete", self._change(self._delete, self._tell_deleting), methods=["POST"]),
            *(BringPlace(self.bringing).routes(bring_page) if self.bringing else ()),
        ]

    def _answer(self, make: Callable[[Mapping[str, str]], Any]) -> Callable[[Request], Any]:
        async def respond(request: Request) -> Response:
            return JSONResponse(await asyncio.to_thread(make, dict(request.query_params)), headers=HEADERS)

        return _with_errors(respond)

    def _change(
        self, change: Callable[[Path, Mapping[str, Any]], Any], tell: Callable[[str, Mapping[str, Any]], str]
    ) -> Callable[[Request], Any]:
        """One change at a time, never of what is being written; what was kept in memory of the file is dropped.

        ``tell`` says what is asked here when another device wants it.
        """

        def find(name: str) -> Path:
            path = self._find(name)
            if self._is_written(name):
                raise RecordingError(IN_USE, "end its session first")
            return path

        def carry_out(order: Mapping[str, Any]) -> Any:
            with self._changing:
                name = str(order.get("name", ""))
                path = find(name)
                self._kept.pop(name, None)
                done = change(path, order)
                list_recordings(self.folder)  # the index forgets the old name and code now, not at the next look
                return done

        async def respond(request: Request) -> Response:
            order = await read_order(request)
            if not is_here(request.scope):
                name = str(order.get("name", ""))
                await asyncio.to_thread(find, name)
                await self._confirm(request, tell(name, order))
            return JSONResponse(await asyncio.to_thread(carry_out, order), headers=HEADERS)

        return _with_errors(respond)

    def _list(self) -> dict[str, Any]:
        entries = [asdict(entry) for entry in list_recordings(self.folder)]
        live = self._live_names()
        written = [name for entry in entries if (name := entry["name"]) in live or has_log(self.folder / name)]
        return {
            "live": self.beside_live,
            "brings": self.bringing is not None,
            "formats": list_formats(),
            "written": written,
            "entries": entries,
        }

    def _entry(self, name: str) -> Entry:
        """Only names that the listing gives: no path can lead elsewhere."""
        for entry in list_recordings(self.folder):
            if entry.name == name:
                return entry
        cure = "it may have been renamed, moved or deleted meanwhile: choose one from the list"
        raise RecordingError(f"there is no recording {name[:80]!r}", cure)

    def _find(self, name: str) -> Path:
        return self.folder / self._entry(name).name

    def _tell_history(self, code: str) -> str:
        if not code or not filter_recordings(list_recordings(self.folder), athlete=code):
            raise RecordingError(f"there is no recording of {code[:40]!r}", "choose a code from the list")
        return self.render_history(code)

    def _is_written(self, name: str) -> bool:
        return name in self._live_names() or is_written(self.folder / name)

    def _load(self, name: str) -> TraceLike:
        """From memory while the file is there and unchanged: zooming must not list the folder each time."""
        kept = self._kept.get(name)
        if kept and (self.folder / name).exists() and kept[0] == (self.folder / name).stat().st_mtime_ns:
            return kept[1]
        path = self._find(name)
        fresh = path.stat().st_mtime_ns, self.load_trace(path)
        self._kept.pop(name, None)
        while len(self._kept) >= N_KEPT:
            self._kept.pop(next(iter(self._kept)))
        self._kept[name] = fresh
        return fresh[1]

    def _files_to_delete(self, query: Mapping[str, str]) -> dict[str, Any]:
        entry = self._entry(query.get("name", ""))
        if self._is_written(entry.name):
            raise RecordingError(IN_USE, "end its session first")
        files = [
            {"name": path.name, "n_bytes": path.stat().st_size}
            for path in list_files_to_delete(self.folder / entry.name)
        ]
        return {"code": _code_of(entry), "files": files}

    def _tell_renaming(self, name: str, order: Mapping[str, Any]) -> str:
        return f"to give {name} the code {str(order.get('code', ''))[:12]!r}{_tell_beside(order, 0)}"

    def _tell_deleting(self, name: str, order: Mapping[str, Any]) -> str:
        return f"to delete {name} for good{_tell_beside(order, 1)}"

    def _rename(self, path: Path, order: Mapping[str, Any]) -> dict[str, Any]:
        renamed = rename_recording(path, str(order.get("code", "")), order.get("files"))
        return {"name": renamed.relative_to(self.folder).as_posix()}

    def _delete(self, path: Path, order: Mapping[str, Any]) -> dict[str, Any]:
        code = _code_of(self._entry(path.relative_to(self.folder).as_posix()))
        if order.get("code") != code:
            raise RecordingError(f"the code typed is not {code}", "type it as it stands; nothing was deleted")
        return {"n_files": delete_recording(path, order.get("files"))}

    def _about(self, query: Mapping[str, str]) -> dict[str, Any]:
        name = query.get("name", "")
        return describe_trace(self._load(name)) | {"written": self._is_written(name)}

    def _trace(self, query: Mapping[str, str]) -> dict[str, Any]:
        trace = self._load(query.get("name", ""))
        n_columns = int(_read(query, "columns", 1, MAX_COLUMNS))
        from_s, to_s = _read(query, "from", -1e7, 1e7), _read(query, "to", -1e7, 1e7)
        if not from_s < to_s:
            raise RecordingError(f"from {from_s:g} to {to_s:g} s is not a time span", "let it end after it begins")
        rate_hz = trace.level_rate_hz
        drawn = []
        for column in range(trace.percent.shape[1]):
            low, high = find_columns(trace.percent[:, column], from_s * rate_hz, to_s * rate_hz, n_columns)
            drawn.append({"low": _plain(low), "high": _plain(high)})
        return {"from_s": from_s, "to_s": to_s, "channels": drawn}


def _tell_beside(order: Mapping[str, Any], n_own: int) -> str:
    """How many files go with it."""
    files = order.get("files")
    n_beside = len(files) - n_own if isinstance(files, list) else 0
    return f" and delete {n_beside} file{'s' * (n_beside > 1)} made of it" if n_beside > 0 else ""


def _code_of(entry: Entry) -> str:
    """What is typed to delete a recording: its code, or its name where it has none."""
    return entry.athlete or Path(entry.name).stem


def _with_errors(respond: Callable[[Request], Any]) -> Callable[[Request], Any]:
    async def answered(request: Request) -> Response:
        try:
            response: Response = await respond(request)
        except BiofeedbackError as error:
            return PlainTextResponse(f"{error}.\n", status_code=404, headers=HEADERS)
        except OSError as error:  # the file went away, or the disk is full, while we were at it
            return PlainTextResponse(f"{'; '.join(disk.explain(error))}.\n", status_code=404, headers=HEADERS)
        return response

    return answered


def _read(query: Mapping[str, str], name: str, low: float, high: float) -> float:
    try:
        value = float(query.get(name, ""))
    except ValueError:
        value = float("nan")
    if not low <= value <= high:
        raise RecordingError(
            f"{name} {query.get(name, '')[:40]!r} is not between {low:g} and {high:g}", "reload the page"
        )
    return value


def _plain(values: FloatArray) -> list[float | None]:
    return [None if np.isnan(value) else round(float(value), 2) for value in values]
