"""Shows a page in the user's browser, where there is one with windows; its address carries a key that works once."""

from __future__ import annotations

import contextlib
import os
import sys
import threading
import webbrowser
from collections.abc import Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from biofeedback.web.own_browser import OwnBrowsers


def show_page(address: str) -> None:
    """Open ``address`` and go on at once: a browser may take seconds to start, and no reading waits for it."""
    if has_windows(os.environ, sys.platform):
        threading.Thread(target=_open, args=(address,), daemon=True).start()


def add_key(own: OwnBrowsers, page: str) -> str:
    """The page's address with a new key. Where keys are needed, using it tells an address for one more browser."""

    def tell_next() -> None:
        if own.is_needed:
            with contextlib.suppress(OSError):  # nobody reads the terminal any more
                print(f"In another browser of this computer: {own.add_key(page)}", flush=True)

    own.on_used = tell_next
    return own.add_key(page)


def has_windows(environment: Mapping[str, str], platform: str) -> bool:
    """Whether a browser would open beside the terminal; one inside it (over ssh, say) would take the terminal away."""
    named = any(environment.get(name) for name in ("DISPLAY", "WAYLAND_DISPLAY", "BROWSER"))
    return named or platform in ("win32", "darwin")


def _open(address: str) -> None:
    with contextlib.suppress(webbrowser.Error):  # the address has been printed
        webbrowser.open(address)
