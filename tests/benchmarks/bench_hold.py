"""How soon a page says "Let go", and how soon Stop stops: the real session behind a page in headless Chromium.

Run: python tests/benchmarks/bench_hold.py loss|stop|kept [--tries 100] [--seconds 200] [--into times.txt]
``loss``: from the last reading of the sensor to the painted headline. ``stop``: from the key to the session's stop.
``kept``: Stop pressed while the page has no connection; whether it is the first message heard afterwards.
``--seconds`` ends a run early; ``--into`` adds its outcomes to those of earlier runs, so that it can be done in pieces.
"""

from __future__ import annotations

import argparse
import os
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
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
    if served.engine.hold is None:
        served.do(again)
        page.tab.wait_for_timeout(300)  # the page still shows the hold before, then its end, then this one
    runs = "() => document.body.dataset.running === 'yes' && document.getElementById('now').innerText"
    page.wait(lambda: str(page.tab.evaluate(runs)).startswith("Contract"), within_s=20)
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


def tell(what: str, found: NDArray[np.float64]) -> None:
    """What came out of all tries, against the limit, and how busy the machine was."""
    load = ", load " + " ".join(f"{value:.1f}" for value in os.getloadavg()) if hasattr(os, "getloadavg") else ""
    if what == "kept":
        print(f"Stop pressed without a connection was heard first: {found.sum():.0f} of {found.size}{load}")
        return
    limit_s = LIMIT_S[what]
    median, p90, p99 = 1000 * np.quantile(found, (0.5, 0.9, 0.99))
    print(f"{what}: {found.size} tries, median {median:.0f} ms, p90 {p90:.0f} ms, p99 {p99:.0f} ms, ", end="")
    print(f"at most {1000 * found.max():.0f} ms; {p99 / 1000 / limit_s:.2f} of the limit of {limit_s:g} s{load}")


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=("loss", "stop", "kept"))
    parser.add_argument("--tries", type=int, default=100)
    parser.add_argument("--seconds", type=float, default=float("inf"), help="begin no other try after so long")
    parser.add_argument("--into", type=Path, help="file with one outcome a line: more are added, all are counted")
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
        tries: dict[str, Callable[[], float]] = {
            "loss": lambda: time_loss(served, page, hand),
            "stop": lambda: time_stop(served, page, stopped_s),
            "kept": lambda: float(try_kept(served, page, heard)),
        }
        until_s = time.monotonic() + args.seconds
        found = [float(line) for line in args.into.read_text().split()] if args.into and args.into.exists() else []
        while len(found) < args.tries and time.monotonic() < until_s:
            found.append(tries[args.what]())
            if args.into:
                args.into.write_text("".join(f"{value}\n" for value in found))
        tell(args.what, np.array(found))
        browser.close()
    hand.ends = True
    served.end()


if __name__ == "__main__":
    main()
