"""How soon a page says "Let go", and how soon Stop stops: the real session behind a page in headless Chromium.

Run: python tests/benchmarks/bench_hold.py loss|stop|kept [--tries 100]
``loss``: from the last reading of the sensor to the painted headline. ``stop``: from the key to the session's stop.
``kept``: Stop pressed while the page has no connection; whether it is the first message heard afterwards.
"""

from __future__ import annotations

import argparse
import sys
import threading
import time
from pathlib import Path
from typing import Any

import numpy as np
from playwright.sync_api import sync_playwright

sys.path.insert(0, str(Path(__file__).parents[2]))

from biofeedback.account.kinds import Stopped
from tests.requirements import CHROMIUM, CHROMIUM_ARGUMENTS
from tests.web.conftest import Page
from tests.web.test_two_gauges import ServedEngine

LIMIT_S = {"loss": 1.0, "stop": 0.2}
WATCH = """() => {
  const now = document.getElementById("now");
  window.toldMs = null;
  window.pressedMs = null;
  new MutationObserver(() => requestAnimationFrame(() => {
    if (now.textContent.startsWith("Let go")) window.toldMs ??= Date.now();
  })).observe(now, { childList: true, characterData: true, subtree: true });
  document.addEventListener("keydown", () => { window.pressedMs = Date.now(); }, { capture: true });
}"""


class Hand(threading.Thread):
    """Pushes with 70 % in real time while it is told to."""

    def __init__(self, served: ServedEngine) -> None:
        super().__init__(daemon=True)
        self.served, self.pushes, self.last_s, self.ends = served, threading.Event(), 0.0, False
        self.start()

    def run(self) -> None:
        """A piece every 20 ms."""
        while not self.ends:
            if self.pushes.is_set():
                self.served.feed.put([(70.0, 70.0)] * 2)
                self.last_s = time.time()
            time.sleep(0.02)


def begin(served: ServedEngine, page: Page) -> None:
    """A contraction under way and its number on the page."""
    served.do(lambda live: served.engine.hold or again(live))
    page.wait(lambda: page.text("now").startswith("Contract"), within_s=20)
    page.tab.evaluate("() => { window.toldMs = null; window.pressedMs = null; }")


def again(live: Any) -> None:
    """Another hold, after a stop."""
    if live.state()["stage"] == "done":
        live.command({"do": "resume"}, by="bench")
    live.command({"do": "start_plan", "plan": "one"}, by="bench")


def time_loss(served: ServedEngine, page: Page, hand: Hand) -> float:
    """Seconds from the last reading to the painted headline."""
    begin(served, page)
    page.tab.wait_for_timeout(300)
    hand.pushes.clear()
    time.sleep(0.025)
    last_s = hand.last_s
    page.wait(lambda: page.tab.evaluate("() => window.toldMs"), within_s=10)
    told_s = page.tab.evaluate("() => window.toldMs") / 1000
    hand.pushes.set()
    served.do(lambda live: live.command({"do": "take_up"}, by="bench") if live.state().get("paused") else None)
    return float(told_s - last_s)


def time_stop(served: ServedEngine, page: Page, stopped_s: list[float]) -> float:
    """Seconds from the key to the session's own stop."""
    begin(served, page)
    stopped_s.clear()
    page.tab.keyboard.press("Escape")
    page.wait(lambda: bool(stopped_s), within_s=10)
    return float(stopped_s[0] - page.tab.evaluate("() => window.pressedMs") / 1000)


def try_kept(served: ServedEngine, page: Page, heard: list[str]) -> bool:
    """Whether a Stop pressed without a connection was the first that was heard, and ended the hold."""
    begin(served, page)
    served.down()
    page.wait(lambda: page.text("now") == "Let go now", within_s=10)
    page.tab.keyboard.press("Escape")
    heard.clear()
    served.up_again()
    page.wait(lambda: served.engine.hold is None, within_s=20)
    return heard[0] == "stop"


class Bench(ServedEngine):
    """The page's server can go and come back while the session goes on."""

    def up_again(self) -> None:
        """The server alone."""
        self.call(self._up())


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=("loss", "stop", "kept"))
    parser.add_argument("--tries", type=int, default=100)
    args = parser.parse_args()
    served = Bench()
    served.up()
    stopped_s: list[float] = []
    heard: list[str] = []
    emit, command = served.engine.emit, served.session.command

    def listen(payload: Any) -> None:
        if isinstance(payload, Stopped):
            stopped_s.append(time.time())
        emit(payload)

    def note(message: dict[str, Any], by: str) -> Any:
        if by != "bench":
            heard.append(message["do"])
        return command(message, by)

    served.engine.emit, served.session.command = listen, note  # type: ignore[method-assign]
    served.start_plan()
    hand = Hand(served)
    hand.pushes.set()
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=CHROMIUM_ARGUMENTS)
        page = Page(browser, served)
        page.wait(lambda: page.text("now").startswith("Contract"), within_s=20)
        page.tab.evaluate(WATCH)
        if args.what == "kept":
            n_good = sum(try_kept(served, page, heard) for _ in range(args.tries))
            print(f"Stop pressed without a connection was heard first: {n_good} of {args.tries}")
        else:
            measure = time_loss if args.what == "loss" else time_stop
            rest: Any = hand if args.what == "loss" else stopped_s
            times_s = np.array([measure(served, page, rest) for _ in range(args.tries)])
            low, middle, high = np.quantile(times_s, (0.5, 0.9, 0.99))
            limit_s = LIMIT_S[args.what]
            print(f"{args.what}: {args.tries} tries, median {1000 * low:.0f} ms, p90 {1000 * middle:.0f} ms, ", end="")
            print(f"p99 {1000 * high:.0f} ms; {high / limit_s:.2f} of the limit of {1000 * limit_s:.0f} ms")
        browser.close()
    hand.ends = True
    served.end()


if __name__ == "__main__":
    main()
