"""Watches a sensor and draws what was seen; how the command and the start page check one."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from pathlib import Path

from biofeedback.acquisition.health import Finding, Watched, judge_sensor
from biofeedback.acquisition.reader import make_reader
from biofeedback.acquisition.source import EndOfSource, Source
from biofeedback.errors import SourceError
from biofeedback.model import Chunk
from biofeedback.storage.whole_file import write_whole


def watch_sensor(
    source: Source,
    seconds: float,
    *,
    clock: Callable[[], float] = time.monotonic,
    is_over: Callable[[], bool] = lambda: False,
) -> Watched:
    """Read an opened source for that long, or until ``is_over``; what came in during opening is not timed."""
    reader = make_reader(source)
    reader.keep_times()  # for the intervals, however fast the board is
    items, arrivals = [], []
    started_s = clock()
    try:
        while clock() - started_s < seconds and not is_over():
            new = reader.read()
            items += new
            arrivals.append((clock(), sum(item.n_frames for item in new if isinstance(item, Chunk))))
    except EndOfSource:
        pass
    return Watched(
        source.channels,
        source.rate_hz,
        items,
        arrivals,
        reader.n_lines,
        reader.n_bad_lines,
        reader.clock_drift_ppm,
    )


def judge_watched(watched: Watched) -> list[Finding]:
    """Findings, first what a session with this sensor would refuse."""
    from biofeedback.signal.levels import LevelStream

    try:
        LevelStream(watched.channels, watched.rate_hz)
    except SourceError as error:
        refused = [Finding("bad", "session", f"it would not start: {error.what}", error.cure)]
    else:
        refused = []
    return [*refused, *judge_sensor(watched)]


def import_drawing() -> None:
    """Takes seconds: done while watching, so that nobody waits for it."""
    import biofeedback.report.sensor_figure  # noqa: F401


def draw_picture(path: Path, watched: Watched, findings: Sequence[Finding], *, title: str) -> None:
    """After the words, which are what counts; a picture that cannot be written is said and no more."""
    from biofeedback.acquisition.portrait import portray_sensor
    from biofeedback.report.sensor_figure import write_sensor_picture

    order = {"bad": 0, "look": 1}
    told = sorted((f for f in findings if f.state in order), key=lambda finding: order[finding.state])
    words = [f"{finding.about}: {finding.text}" for finding in told]
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with write_whole(path) as beside:
            write_sensor_picture(beside, portray_sensor(watched), words, title=title)
    except (OSError, ValueError) as error:
        raise SourceError(f"no picture at {path}: {error}", "name another file with --picture, .png or .svg") from None
