"""``biofeedback review``: look at recordings on a local page."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import signal
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from biofeedback.commands.answers import render_report, summarise
from biofeedback.commands.browser import show_page
from biofeedback.commands.history import read_point
from biofeedback.commands.many import run_many
from biofeedback.errors import RecordingError
from biofeedback.storage.library import filter_recordings, list_recordings
from biofeedback.storage.schema import recordings_folder

if TYPE_CHECKING:
    from biofeedback.analysis.trace import Trace
    from biofeedback.web.review import Review


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``review``."""
    parser.add_argument("folder", nargs="?", type=Path, default=None, help="where to look (the usual folder)")
    parser.add_argument("--port", type=int, default=8766, help="of the page on 127.0.0.1; 0 takes any free one")
    parser.add_argument("--no-browser", action="store_true", help="print the address only")


def run(args: argparse.Namespace) -> int:
    """Serve the page until Ctrl-C."""
    folder = args.folder or recordings_folder()
    if not folder.is_dir():
        raise RecordingError(f"there is no folder {folder}", "name the folder of the recordings")
    asyncio.run(_serve(folder, args))
    return 0


def make_review(folder: Path, *, beside_live: bool = False) -> Review:
    """The review place over a folder of recordings."""
    from biofeedback.web.review import Review

    def history(athlete: str) -> str:
        return render_history(folder, athlete)

    return Review(folder, load_trace, render_report, summarise, history, beside_live)


def load_trace(path: Path) -> Trace:
    """A recording recomputed: the numbers that were shown live."""
    from biofeedback.analysis.trace import compute_trace
    from biofeedback.storage.recording import open_recording

    return compute_trace(open_recording(path))


def render_history(folder: Path, athlete: str) -> str:
    """All readable sessions of an athlete as one page, analysed in processes of their own."""
    from biofeedback.analysis.history import compare_sessions
    from biofeedback.report.history import build_history

    entries = filter_recordings(list_recordings(folder), athlete=athlete)
    names = [entry.name for entry in entries if not entry.problem]
    told = [point for _, point, _ in run_many(partial(read_point, str(folder)), names) if point]
    if not told:
        raise RecordingError(f"no session of {athlete} can be analysed", "open one of its reports: it says why")
    return build_history(compare_sessions(athlete, told))


async def _serve(folder: Path, args: argparse.Namespace) -> None:
    from biofeedback.web.server import open_page

    over = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        with contextlib.suppress(NotImplementedError):  # Windows: Ctrl-C arrives as KeyboardInterrupt
            asyncio.get_running_loop().add_signal_handler(number, over.set)
    async with open_page(None, port=args.port, review=make_review(folder)) as address:
        print(f"Recordings in {folder}\nPage: {address}review   (Ctrl-C ends it)", flush=True)
        if not args.no_browser:
            show_page(f"{address}review")
        await over.wait()
