"""The page over a long hold: first paint, bytes, frames and numbers a second, script time, memory.

Run: python tests/benchmarks/bench_browser.py [--minutes 2] [--forms 2]   (an hour: --minutes 60)
A scripted session sends 100 levels a second in 60 updates a second; chromium draws them. Without a display chromium
composes at 60 frames a second by itself, so "frames" says whether the page leaves it the time to.
"""

from __future__ import annotations

import argparse
import asyncio
import sys
import time
from pathlib import Path

import numpy as np
from playwright.async_api import async_playwright

sys.path.insert(0, str(Path(__file__).parents[2]))

from biofeedback.web.server import open_page
from tests.requirements import CHROMIUM, CHROMIUM_ARGUMENTS
from tests.web.fake_live import FakeLive
from tests.web.scenes import SCENES

COUNT = """() => {
  window.counted = { frames: 0, numbers: 0, beside: 0, shifts: 0 };
  window.shifted = [];
  const count = (id, name) =>
    new MutationObserver(() => (window.counted[name] += 1)).observe(document.getElementById(id), { attributes: true });
  count("number", "numbers");
  count("beside-number", "beside");
  const name = ({ node }) => node?.id || node?.className || node?.parentElement?.id || "?";
  const note = (entry) => {
    window.counted.shifts += 1;
    const told = [...document.querySelectorAll("#banner:not([hidden])")].map((banner) => banner.innerText);
    window.shifted.push(`${Math.round(entry.startTime / 1000)} s: ${entry.sources.map(name)} ${told}`);
  };
  new PerformanceObserver((list) => list.getEntries().forEach(note)).observe({ type: "layout-shift" });
  const frame = () => { window.counted.frames += 1; requestAnimationFrame(frame); };
  requestAnimationFrame(frame);
}"""


async def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=2.0)
    parser.add_argument("--forms", type=int, default=2, choices=(1, 2), help="one channel, or two side by side (2)")
    args = parser.parse_args()
    seconds, n_forms = 60 * args.minutes, args.forms
    live = FakeLive()
    SCENES["inside" if n_forms == 1 else "two_sides"](live)
    async with open_page(live, port=0) as address, async_playwright() as driver:
        browser = await driver.chromium.launch(executable_path=CHROMIUM, args=CHROMIUM_ARGUMENTS)
        context = await browser.new_context(viewport={"width": 1280, "height": 800})
        page = await context.new_page()
        paints, sizes = [], []
        for _ in range(5):
            await page.goto(address)
            await page.wait_for_timeout(500)
            paints.append(await page.evaluate("() => performance.getEntriesByType('paint')[0].startTime"))
            sizes.append(
                await page.evaluate(
                    """() => ["resource", "navigation"].flatMap((kind) => performance.getEntriesByType(kind))
                      .reduce((sum, entry) => sum + entry.transferSize, 0)"""
                )
            )
        session = await context.new_cdp_session(page)
        await session.send("Performance.enable")

        async def measure() -> dict[str, float]:
            await session.send("HeapProfiler.collectGarbage")
            found = (await session.send("Performance.getMetrics"))["metrics"]
            return {metric["name"]: metric["value"] for metric in found}

        await page.evaluate(COUNT)
        await feed(live, 10.0, n_forms)
        before, counted = await measure(), await page.evaluate("() => ({ ...window.counted })")
        start = time.perf_counter()
        n_updates = await feed(live, seconds, n_forms)
        elapsed = time.perf_counter() - start
        after, recounted = await measure(), await page.evaluate("() => window.counted")
        shifted = await page.evaluate("() => window.shifted")
        await browser.close()

    def rate(name: str) -> str:
        return f"{(recounted[name] - counted[name]) / elapsed:.1f} /s"

    heap = [metrics["JSHeapUsedSize"] / 1e6 for metrics in (before, after)]
    rows = [
        ("first paint, median of 5", f"{np.median(paints):.0f} ms", "under 500 ms"),
        ("transferred", f"{max(sizes) / 1000:.0f} kB", "under 300 kB"),
        ("updates sent", f"{n_updates / elapsed:.1f} /s", "60 /s"),
        ("frames drawn", rate("frames"), "60 /s"),
        ("numbers shown", rate("numbers"), ""),
        *([("numbers shown beside", rate("beside"), "")] if n_forms == 2 else []),
        ("layout shifts", f"{recounted['shifts'] - counted['shifts']}", "0"),
        ("script", f"{100 * (after['ScriptDuration'] - before['ScriptDuration']) / elapsed:.1f} % of a core", ""),
        ("layout", f"{100 * (after['LayoutDuration'] - before['LayoutDuration']) / elapsed:.1f} % of a core", ""),
        (f"heap before, after {elapsed / 60:.1f} min", f"{heap[0]:.2f}, {heap[1]:.2f} MB", "flat"),
        ("document nodes before, after", f"{before['Nodes']:.0f}, {after['Nodes']:.0f}", "flat"),
    ]
    for name, value, limit in rows:
        print(f"{name:<36}{value:<24}{limit}")
    for each in shifted:
        print(f"shifted at {each}")


async def feed(live: FakeLive, seconds: float, n_channels: int) -> int:
    """Levels as a real session makes them: 100 a second, told 60 times a second."""
    random = np.random.default_rng(1)
    start, n_levels, n_updates = time.perf_counter(), 0, 0
    while (now := time.perf_counter() - start) < seconds:
        due = int(now * 100) - n_levels
        if due:
            live.feed(70 + random.normal(size=(due, n_channels)), band_state=2, beside_state=2, remaining_s=10.0)
            n_levels += due
            n_updates += 1
        await asyncio.sleep(max(0.0, (n_updates + 1) / 60 - (time.perf_counter() - start)))
    return n_updates


if __name__ == "__main__":
    asyncio.run(main())
