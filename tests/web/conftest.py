"""A fake session served from a thread of its own, and a real browser to look at it."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

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

    def end(self) -> None:
        self.down()
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(5)
        self._loop.close()


@pytest.fixture
def served() -> Iterator[Served]:
    served = Served()
    served.up()
    yield served
    served.end()


@pytest.fixture(scope="module")  # its event loop must be gone before other modules run theirs
def browser() -> Iterator[Any]:
    need(CHROMIUM, "chromium is not installed")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        chromium = driver.chromium.launch(executable_path=CHROMIUM, args=CHROMIUM_ARGUMENTS)
        yield chromium
        chromium.close()


# A page asks for one press before the first hold. Most tests are about what comes after it; a press by script gives no
# sound, as no browser takes it for a person's.
PRESSED = """new MutationObserver(() => {
  const button = document.getElementById("read-them");
  if (button?.offsetParent && document.body.dataset.stage !== "cautions") button.click();
}).observe(document, { subtree: true, childList: true, attributes: true, attributeFilter: ["hidden"] });
"""


class Page:
    """A page with everything it complained about; ``pressed``: the one press before the first hold was made."""

    def __init__(
        self,
        browser: Any,
        served: Served,
        *,
        path: str = "",
        script: Path | None = None,
        pressed: bool = True,
        **options: Any,
    ) -> None:
        self.context = browser.new_context(**({"viewport": {"width": 1280, "height": 800}} | options))
        if script:
            self.context.add_init_script(path=script)
        self.context.set_default_timeout(90_000)  # a busy machine is slow, and not wrong
        if pressed:
            self.context.add_init_script(script=PRESSED)
        self.tab = self.context.new_page()
        self.complaints: list[str] = []
        self.tab.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.tab.on("console", lambda said: self.complaints.append(said.text) if said.type == "error" else None)
        self.tab.goto(served.address + path)

    def text(self, name: str) -> str:
        return str(self.tab.inner_text("#" + name))

    def wait(self, condition: Callable[[], object], *, within_s: float = 5.0) -> float:
        """Free seconds until ``condition`` holds (no script is evaluated from text: the page's policy forbids it)."""
        return wait_until(condition, within_s=within_s, pause=lambda: self.tab.wait_for_timeout(25)).spent_s


@pytest.fixture
def open_tab(browser: Any, served: Served) -> Iterator[Callable[..., Page]]:
    pages: list[Page] = []

    def open_one(**options: Any) -> Page:
        pages.append(Page(browser, served, **options))
        return pages[-1]

    yield open_one
    for page in pages:
        page.context.close()
