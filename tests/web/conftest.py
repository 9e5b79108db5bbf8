"""A fake session served from a thread of its own, and a real browser to look at it."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from weakref import WeakKeyDictionary

import pytest

from biofeedback.web.review import Review
from biofeedback.web.server import open_page

from ..busy import wait_until
from ..requirements import CHROMIUM, CHROMIUM_ARGUMENTS, need
from .fake_live import FakeLive


class Served:
    """A fake session on its own event loop; ``do`` changes it there. It can be taken down and put up again."""

    def __init__(self, *, share: bool = False, review: Review | None = None) -> None:
        self.live = FakeLive()
        self._share = (lambda invitation: None) if share else None
        self._review = review
        self.port = 0
        self.address = ""
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self._thread.start()
        self._closed: asyncio.Event | None = None

    def call(self, coroutine: Any) -> Any:
        return asyncio.run_coroutine_threadsafe(coroutine, self._loop).result(60)

    def do(self, change: Callable[[FakeLive], Any]) -> Any:
        async def apply() -> Any:
            return change(self.live)

        return self.call(apply())

    def up(self) -> None:
        self.call(self._up())

    async def _up(self) -> None:
        ready = asyncio.Event()
        self._closed = closed = asyncio.Event()

        async def run() -> None:
            async with open_page(self.live, port=self.port, share=self._share, review=self._review) as address:
                self.address = address
                self.port = int(address.rstrip("/").rpartition(":")[2])
                ready.set()
                await closed.wait()

        self._task = self._loop.create_task(run())
        await ready.wait()

    def down(self) -> None:
        async def take_down() -> None:
            assert self._closed
            self._closed.set()
            await self._task

        self.call(take_down())

    def renew(self) -> None:
        """A session as new at the same address, whatever was done to it; at another one where it was taken down."""
        self.do(lambda live: live.renew())
        if self._closed is None or self._closed.is_set():
            self.port = 0
            self.up()

    def end(self) -> None:
        self.down()
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(5)
        self._loop.close()


@pytest.fixture(scope="session")
def kept_served() -> Iterator[Served]:
    served = Served()
    served.up()
    yield served
    served.end()


@pytest.fixture
def served(kept_served: Served) -> Served:
    """A session as new for each test. Its address stays the same: what a browser has read from it, it keeps."""
    kept_served.renew()
    return kept_served


@pytest.fixture(scope="session")  # between tests on pages its event loop is not the running one: see tests/conftest.py
def browser() -> Iterator[Any]:
    need(CHROMIUM, "chromium is not installed")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        chromium = driver.chromium.launch(executable_path=CHROMIUM, args=CHROMIUM_ARGUMENTS)
        loop = asyncio.get_running_loop()
        yield chromium
        asyncio._set_running_loop(loop)  # the last test of all may be none on a page
        chromium.close()


# A page asks for one press before the first hold. Most tests are about what comes after it; a press by script gives no
# sound, as no browser takes it for a person's.
PRESSED = """new MutationObserver(() => {
  const button = document.getElementById("read-them");
  if (button?.offsetParent && document.body.dataset.stage !== "cautions") button.click();
}).observe(document, { subtree: true, childList: true, attributes: true, attributeFilter: ["hidden"] });
"""


# By browser: tabs that show nothing at the moment, each with what it was made with.
IDLE: WeakKeyDictionary[Any, list[tuple[str, Any]]] = WeakKeyDictionary()
MOST_IDLE = 3


class Page:
    """A page with everything it complained about; ``pressed``: the one press before the first hold was made.

    Its tab may have shown pages before it, which saves most of the work of opening one: the document is a new one,
    nothing is stored, nobody has pressed anything. What is about opening itself, or changes more of the browser than
    a page can, has a tab ``alone``.
    """

    def __init__(
        self,
        browser: Any,
        served: Served,
        *,
        path: str = "",
        script: Path | None = None,
        pressed: bool = True,
        alone: bool = False,
        viewport: dict[str, int] | None = None,
        color_scheme: str = "light",
        **options: Any,
    ) -> None:
        scripts = ([script.read_text("utf-8")] if script else []) + ([PRESSED] if pressed else [])
        self._idle = IDLE.setdefault(browser, [])
        self._kind = None if alone or not pressed else repr((scripts, sorted(options.items())))
        viewport = viewport or {"width": 1280, "height": 800}
        tab = self._take_idle()
        if tab is None:
            context = browser.new_context(viewport=viewport, color_scheme=color_scheme, **options)
            context.set_default_timeout(90_000)  # a busy machine is slow, and not wrong
            for each in scripts:
                context.add_init_script(script=each)
            tab = context.new_page()
        else:
            tab.set_viewport_size(viewport)
            tab.emulate_media(media="null", color_scheme=color_scheme, reduced_motion="no-preference")
        self._is_left = False
        self.tab = tab
        self.context = tab.context
        self.complaints: list[str] = []
        self._heard = {
            "pageerror": lambda error: self.complaints.append(str(error)),
            "console": lambda said: self.complaints.append(said.text) if said.type == "error" else None,
        }
        for event, hear in self._heard.items():
            tab.on(event, hear)
        tab.goto(served.address + path)

    def _take_idle(self) -> Any:
        for found in reversed(self._idle):
            if found[0] == self._kind:
                self._idle.remove(found)
                return found[1]
        return None

    def close(self) -> None:
        """Leave the tab to the next page of its kind, with nothing of this one in it."""
        if self._is_left or self.tab.is_closed():
            return
        self._is_left = True  # the tab may be another page's from now on
        for event, hear in self._heard.items():
            self.tab.remove_listener(event, hear)
        if self._kind is None or not self._is_emptied():
            self.context.close()
            return
        self.tab.unroute_all()
        self.context.clear_cookies()
        self._idle.append((self._kind, self.tab))
        if len(self._idle) > MOST_IDLE:
            self._idle.pop(0)[1].context.close()

    def _is_emptied(self) -> bool:
        """Nothing stored, nothing heard or drawn any more; not so where the page is on its way to another address."""
        from playwright.sync_api import Error

        try:
            self.tab.evaluate("() => { localStorage.clear(); sessionStorage.clear(); }")
            self.tab.goto("about:blank")  # a press counts for the page that had it
        except Error:
            return False
        return True

    def text(self, name: str) -> str:
        return str(self.tab.inner_text("#" + name))

    def wait(self, condition: Callable[[], object], *, within_s: float = 5.0) -> float:
        """Free seconds until ``condition`` holds (no script is evaluated from text: the page's policy forbids it)."""
        pauses_ms = itertools.chain([25] * 20, itertools.repeat(75))  # what takes long is not asked as often: it costs
        return wait_until(
            condition, within_s=within_s, pause=lambda: self.tab.wait_for_timeout(next(pauses_ms))
        ).spent_s

    def resize(self, size: tuple[int, int]) -> None:
        """The window is another one; what hangs on its size has been laid out and drawn."""
        self.tab.set_viewport_size({"width": size[0], "height": size[1]})
        self.tab.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")


class Findings(list[str]):
    """What is wrong, with where it was seen: of all that a test looks at in one page no failure hides another."""

    @contextlib.contextmanager
    def at(self, *where: object) -> Iterator[None]:
        try:
            yield
        except AssertionError as error:
            self.append(f"{' '.join(map(str, where))}: {error}")


@pytest.fixture
def open_tab(browser: Any, served: Served) -> Iterator[Callable[..., Page]]:
    pages: list[Page] = []

    def open_one(**options: Any) -> Page:
        pages.append(Page(browser, served, **options))
        return pages[-1]

    yield open_one
    for page in pages:
        page.close()
