"""A phone as a sensor in a real browser: motion event to painted angle on the coach's page, and what its script costs.

    python tests/benchmarks/bench_phone_browser.py angle|script [--tries 60] [--seconds 12]

Phone and coach are pages of one Chromium on this computer, the phone's over TLS under a network name. ``angle``: the
phone is turned by 20 degrees at once; told are the first paint that moved by a twentieth of that, and half of it.
``script``: the phone's page in a plan, its processor throttled four times: measuring at the limb, rating by
its slider as well, and neither, in turns.
"""

from __future__ import annotations

import argparse
import itertools
import math
import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.web.phone_evening import Evening, run_evening

G = 9.80665
TURN_DEGREES = 20.0
ANGLE_MS, SCRIPT_PERCENT, THROTTLE = 150.0, 10.0, 4
FELT = """() => {
  window.turned = [];
  let last = null;
  addEventListener("devicemotion", (event) => {
    const { x } = event.accelerationIncludingGravity ?? {};
    if (x === null || x === last) return;
    last = x;
    window.turned.push([x, performance.timeOrigin + event.timeStamp]);
  });
}"""
SWITCH = "(id) => document.getElementById(id).click()"
PAINTED = """() => {
  window.painted = [];
  for (const line of document.querySelectorAll(".angle-now"))
    new MutationObserver(() => {
      const text = line.textContent;
      if (!line.offsetParent) return;
      const shown = parseFloat(text.slice(7));
      requestAnimationFrame(() => window.painted.push([shown, performance.timeOrigin + performance.now()]));
    }).observe(line, { childList: true, characterData: true, subtree: true });
}"""


def begin(evening: Evening) -> None:
    """The phone lies still and measures, its zero taken."""
    phone = evening.phone
    phone.has_sensor()
    phone.hold((0, 0, G))
    phone.page.click("#angle-use")
    wait(lambda: evening.state["state"] == "live")
    time.sleep(1.0)
    phone.page.click("#angle-zero")
    wait(lambda: "position_phone" in evening.live.state()["zero"]["results"])


def wait(condition: Callable[[], object]) -> None:
    until_s = time.monotonic() + 30
    while not condition():
        if time.monotonic() > until_s:
            raise RuntimeError("did not happen within 30 s")
        time.sleep(0.02)


def tilt(evening: Evening, degrees: float) -> None:
    turn = math.radians(degrees)
    evening.phone.hold((G * math.sin(turn), 0, G * math.cos(turn)))


def angle(n_tries: int) -> Callable[[Evening], None]:
    def scenario(evening: Evening) -> None:
        begin(evening)
        coach = evening.browser.new_context(viewport={"width": 1280, "height": 800}).new_page()
        coach.goto(evening.address + "coach")
        coach.click("#read-them")
        coach.wait_for_selector(".angle-now:visible:has-text('phone: 0.')")
        evening.phone.page.evaluate(FELT)
        coach.evaluate(PAINTED)
        for k in range(n_tries + 1):
            tilt(evening, TURN_DEGREES * (k % 2))
            time.sleep(1.2 + 0.05 * np.random.default_rng(k).random())  # not in step with any timer
        turned, painted = evening.phone.page.evaluate("window.turned"), coach.evaluate("window.painted")
        told = {0.05: "first paint that moved", 0.5: "half of the turn painted"}
        print(f"turned by {TURN_DEGREES:g} degrees, {len(turned)} times; {describe_load()}")
        for share, name in told.items():
            delays = list(itertools.chain.from_iterable(find_delays(turned, painted, share)))
            row = [f"{np.median(delays):.0f} ms", f"{np.percentile(delays, 95):.0f} ms", f"{max(delays):.0f} ms"]
            print(f"{name:<28}median {row[0]:>7}   95th pct {row[1]:>7}   worst {row[2]:>7}   of {len(delays)}")
        print(f"{'at most':<28}median {ANGLE_MS:>4.0f} ms")

    return scenario


def find_delays(turned: list[list[float]], painted: list[list[float]], share: float) -> list[list[float]]:
    """For each turn, the ms to the first paint that went this share of it; none where none was seen."""
    found = []
    for (x, at_ms), (_, next_ms) in itertools.pairwise(turned):
        end = TURN_DEGREES if x > 1 else 0.0
        reached = [
            ms - at_ms
            for shown, ms in painted
            if at_ms < ms < next_ms and abs(shown - end) < (1 - share) * TURN_DEGREES
        ]
        found.append(reached[:1])
    return found


def script(seconds: float) -> Callable[[Evening], None]:
    def scenario(evening: Evening) -> None:
        begin(evening)
        page, cdp = evening.phone.page, evening.phone.cdp
        page.evaluate(SWITCH, "angle-use")  # neither is on
        evening.command(do="start_plan", plan="felt-check")
        page.wait_for_selector("#stop:not([disabled])")
        cdp.send("Performance.enable")
        cdp.send("Emulation.setCPUThrottlingRate", {"rate": THROTTLE})
        print(f"phone's page in a plan, throttled {THROTTLE} times; {describe_load()}")
        ways = {"neither": (), "angle": ("angle-use",), "angle and slider": ("angle-use", "slider-use")}
        shares: dict[str, list[float]] = {name: [] for name in ways}
        for name, buttons in list(ways.items()) * 3:
            for button in buttons:
                page.evaluate(SWITCH, button)
            if buttons:
                wait(lambda: evening.state["state"] == "live")
                page.mouse.move(370, 400)
                page.mouse.down()
            time.sleep(1.0)
            shares[name].append(share_of_script(cdp, seconds))
            if buttons:
                page.mouse.up()
            for button in buttons:
                page.evaluate(SWITCH, button)
        without = float(np.median(shares["neither"]))
        for name, found in shares.items():
            whole = float(np.median(found))
            print(f"{name:<18}script of the page {whole:4.1f} % of a core, the phone's part {whole - without:4.1f} %")
        print(f"{'at most':<18}{SCRIPT_PERCENT:g} %")

    return scenario


def share_of_script(cdp: object, seconds: float) -> float:
    def look() -> tuple[float, float]:
        told = {one["name"]: one["value"] for one in cdp.send("Performance.getMetrics")["metrics"]}  # type: ignore[attr-defined]
        return told["ScriptDuration"], told["Timestamp"]

    (was, was_s), _ = look(), time.sleep(seconds)
    now, now_s = look()
    return 100 * (now - was) / (now_s - was_s)


def describe_load() -> str:
    return f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=("angle", "script"), nargs="?", default="angle")
    parser.add_argument("--tries", type=int, default=60)
    parser.add_argument("--seconds", type=float, default=12.0)
    args = parser.parse_args()
    scenario = angle(args.tries) if args.what == "angle" else script(args.seconds)
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        run_evening(scenario, Path(folder), patch)


if __name__ == "__main__":
    main()
