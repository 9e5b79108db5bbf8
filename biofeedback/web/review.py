"""The review place: which recordings there are, their reports, and a trace that can be looked into."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from biofeedback.errors import BiofeedbackError, RecordingError
from biofeedback.model import Channel, FloatArray
from biofeedback.storage.library import list_recordings

MAX_COLUMNS = 4000
N_KEPT = 2  # traces kept in memory: the one looked at and the one compared with it
HEADERS = {"cache-control": "no-store", "x-content-type-options": "nosniff"}


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
        """With ``time_s`` and ``value``."""
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
        "ratings": [{"time_s": rating.time_s, "value": rating.value} for rating in trace.ratings],
    }


@dataclass(slots=True)
class Review:
    """Routes over a folder of recordings. ``load_trace`` and ``render_report`` are given the file's path.

    ``beside_live``: whether the same page serves a live session to go back to.
    """

    folder: Path
    load_trace: Callable[[Path], TraceLike]
    render_report: Callable[[Path], str]
    beside_live: bool = False
    _kept: dict[str, TraceLike] = field(init=False, default_factory=dict)

    def routes(self, page: Callable[[Request], Any], report_headers: Mapping[str, str]) -> list[Route]:
        """The place's routes; ``page`` serves its HTML."""

        async def report(request: Request) -> Response:
            path = self._find(request.query_params.get("name", ""))
            html = await asyncio.to_thread(self.render_report, path)
            return Response(html, media_type="text/html", headers=report_headers)

        return [
            Route("/review", page),
            Route("/review/list", self._answer(self._list)),
            Route("/review/about", self._answer(self._about)),
            Route("/review/trace", self._answer(self._trace)),
            Route("/review/report", _with_errors(report)),
        ]

    def _answer(self, make: Callable[[Mapping[str, str]], Any]) -> Callable[[Request], Any]:
        async def respond(request: Request) -> Response:
            return JSONResponse(await asyncio.to_thread(make, dict(request.query_params)), headers=HEADERS)

        return _with_errors(respond)

    def _list(self, query: Mapping[str, str]) -> dict[str, Any]:
        return {"live": self.beside_live, "entries": [asdict(entry) for entry in list_recordings(self.folder)]}

    def _find(self, name: str) -> Path:
        """Only names that the listing gives: no path can lead elsewhere."""
        if name not in {entry.name for entry in list_recordings(self.folder)}:
            raise RecordingError(f"there is no recording {name[:80]!r}", "choose one from the list")
        return self.folder / name

    def _load(self, name: str) -> TraceLike:
        if name not in self._kept:
            trace = self.load_trace(self._find(name))
            while len(self._kept) >= N_KEPT:
                self._kept.pop(next(iter(self._kept)))
            self._kept[name] = trace
        return self._kept[name]

    def _about(self, query: Mapping[str, str]) -> dict[str, Any]:
        return describe_trace(self._load(query.get("name", "")))

    def _trace(self, query: Mapping[str, str]) -> dict[str, Any]:
        trace = self._load(query.get("name", ""))
        n_columns = int(_read(query, "columns", 1, MAX_COLUMNS))
        from_s, to_s = _read(query, "from", -1e7, 1e7), _read(query, "to", -1e7, 1e7)
        if not from_s < to_s:
            raise RecordingError(f"from {from_s:g} to {to_s:g} s is no stretch of time", "let it end after it begins")
        rate_hz = trace.level_rate_hz
        drawn = []
        for column in range(trace.percent.shape[1]):
            low, high = find_columns(trace.percent[:, column], from_s * rate_hz, to_s * rate_hz, n_columns)
            drawn.append({"low": _plain(low), "high": _plain(high)})
        return {"from_s": from_s, "to_s": to_s, "channels": drawn}


def _with_errors(respond: Callable[[Request], Any]) -> Callable[[Request], Any]:
    async def answered(request: Request) -> Response:
        try:
            response: Response = await respond(request)
        except BiofeedbackError as error:
            return PlainTextResponse(f"{error}.\n", status_code=404, headers=HEADERS)
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
