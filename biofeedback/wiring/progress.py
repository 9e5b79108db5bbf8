"""A progress bar on a terminal; nothing in a pipe, and nothing for what is done in a moment."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

WAIT_S = 0.5
WIDTH = 30


def make_progress(what: str) -> Callable[[int, int], None]:
    """``progress(done, n_total)`` for anything that may take long."""
    start_s = time.monotonic()
    is_shown = sys.stderr.isatty()
    last_s = start_s

    def show(done: int, n_total: int) -> None:
        nonlocal last_s
        now_s = time.monotonic()
        if not is_shown or now_s - start_s < WAIT_S or (now_s - last_s < 0.1 and done < n_total):
            return
        last_s = now_s
        n_full = WIDTH * done // max(n_total, 1)
        end = "\n" if done >= n_total else ""
        print(
            f"\r{what} [{'#' * n_full}{' ' * (WIDTH - n_full)}] {done}/{n_total}", end=end, file=sys.stderr, flush=True
        )

    return show
