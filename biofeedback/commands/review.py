"""``biofeedback review``: look at recordings on a local page."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import signal
from pathlib import Path

from biofeedback.errors import RecordingError
from biofeedback.storage.schema import recordings_folder
from biofeedback.wiring.browser import add_key, show_page
from biofeedback.wiring.leftovers import tell_unfinished
from biofeedback.wiring.review_page import make_review


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``review``."""
    parser.add_argument("folder", nargs="?", type=Path, default=None, help="where to look (the usual folder)")
    parser.add_argument("--port", type=int, default=8766, help="of the page on 127.0.0.1; 0 takes any free one")
    parser.add_argument("--no-browser", action="store_true", help="print the address only")


def run(args: argparse.Namespace) -> int:
    """Serve the page until Ctrl-C."""
    folder = args.folder or recordings_folder()
    if not folder.is_dir():
        raise RecordingError(f"there is no folder {folder}", "give the folder that holds the recordings")
    tell_unfinished(folder)
    asyncio.run(_serve(folder, args))
    return 0


async def _serve(folder: Path, args: argparse.Namespace) -> None:
    from biofeedback.web.own_browser import OwnBrowsers
    from biofeedback.web.server import open_page

    over = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        with contextlib.suppress(NotImplementedError):  # Windows: Ctrl-C arrives as KeyboardInterrupt
            asyncio.get_running_loop().add_signal_handler(number, over.set)
    own = OwnBrowsers()
    async with open_page(None, port=args.port, review=make_review(folder), own=own) as address:
        page = add_key(own, f"{address}review")
        print(f"Recordings in {folder}\nPage: {page}   (Ctrl-C ends it)", flush=True)
        if not args.no_browser:
            show_page(page)
        await over.wait()
