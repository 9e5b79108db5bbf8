"""From a byte on the wire to a painted pixel with four athletes at once and three pages open for each.

Run: python tests/benchmarks/bench_group.py [--seconds 20]
Four boards write to the program. The group page, which shows all four, is measured in one headless Chromium; beside
each athlete's place there two more pages read everything over the wire, as busy browsers on other machines would.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import re
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from urllib.parse import urlsplit

import numpy as np
from bench_page import BROWSER, HOP, RATE_HZ, Board
from playwright.async_api import async_playwright
from websockets.asyncio.client import connect

from biofeedback.storage.recording import open_recording

CODES = ("A01", "A02", "A03", "A04")
READERS = 2  # beside the group page: three pages for each athlete
WATCH = """() => {
  window.painted = [];
  const numbers = [...document.querySelectorAll(".seat .number .digits")];
  const last = numbers.map(() => "");
  const look = () => {
    numbers.forEach((number, k) => {
      if (number.dataset.level === last[k]) return;
      last[k] = number.dataset.level;
      const level = +last[k];
      requestAnimationFrame((t) => window.painted.push([k, level, performance.timeOrigin + t]));
    });
    requestAnimationFrame(look);
  };
  requestAnimationFrame(look);
}"""


async def read_all(address: str, seat: int, counts: list[int]) -> None:
    """One more page of a seat: reads whatever comes."""
    host = urlsplit(address).netloc
    async with connect(f"ws://{host}/ws?seat={seat}", origin=f"http://{host}", compression=None, proxy=None) as page:
        async for message in page:
            counts[seat - 1] += isinstance(message, bytes)


async def command(address: str, seat: int, *messages: dict[str, str]) -> None:
    """Carry out commands at a seat."""
    host = urlsplit(address).netloc
    async with connect(f"ws://{host}/ws?seat={seat}", origin=f"http://{host}", compression=None, proxy=None) as page:
        for message in messages:
            await page.send(json.dumps(message))
        while not (isinstance(text := await page.recv(), str) and "reply" in json.loads(text)):
            pass


async def measure(address: str, boards: list[Board], seconds: float) -> tuple[list[list[float]], list[int]]:
    counts = [0] * len(boards)
    for seat in range(1, 5):
        await command(address, seat, {"do": "accept_cautions"}, {"do": "zero"})
    await asyncio.sleep(4.0)
    for seat in range(1, 5):
        await command(address, seat, {"do": "start_plan", "plan": "light-hold"})
    readers = [asyncio.create_task(read_all(address, seat, counts)) for seat in range(1, 5) for _ in range(READERS)]
    async with async_playwright() as driver:
        browser = await driver.chromium.launch(executable_path=shutil.which("chromium"), args=BROWSER)
        page = await browser.new_page(viewport={"width": 1280, "height": 800})
        await page.goto(f"{address}group")
        await page.locator(".seat[data-stage='plan']").nth(3).wait_for()
        for board in boards:
            board.go.set()
        await page.evaluate(WATCH)
        counts[:] = [0] * len(boards)
        await asyncio.sleep(seconds)
        painted, read = await page.evaluate("() => window.painted"), list(counts)
        await browser.close()
    for reader in readers:
        reader.cancel()
    await asyncio.gather(*readers, return_exceptions=True)
    return painted, read


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=20.0)
    seconds = parser.parse_args().seconds
    boards = [Board() for _ in CODES]
    with tempfile.TemporaryDirectory() as folder:
        arguments = [sys.executable, "-m", "biofeedback", "live", "--port", "0", "--folder", folder, "--no-browser"]
        for code, board in zip(CODES, boards, strict=True):
            source = f"serial:{board.path}?rate={RATE_HZ}&channels=force:N&columns=seq,force"
            arguments += ["--source", source, "--athlete", code, "--maximum", f"{code}:force=100"]
        process = subprocess.Popen(arguments, stdout=subprocess.PIPE, text=True)
        while not (found := re.search(r"(http://\S+/)group", line := process.stdout.readline())):
            if not line:
                raise SystemExit("the program ended")
        started = time.process_time()
        painted, read = asyncio.run(measure(found.group(1), boards, seconds))
        print(f"(this script used {time.process_time() - started:.0f} s of a core for its readers and boards)")
        process.terminate()
        process.communicate()
        offsets = []
        for code, board in zip(CODES, boards, strict=True):
            counts = open_recording(next(Path(folder).glob(f"{code}-*.hold"))).counts()[:, 0]
            offsets.append(board.wave_from - int(np.flatnonzero(counts)[0]))
    lags: list[list[float]] = [[] for _ in CODES]
    for seat, level, at_ms in painted[20:]:
        frame = offsets[seat] + (int(level) + 1) * HOP - 1
        if 0 <= frame < len(boards[seat].written_s):
            lags[seat].append(at_ms - 1000 * boards[seat].written_s[frame])
    for board in boards:
        board.stop.set()
    print(f"{'athlete':<10}{'paints/s':>10}{'median':>10}{'99th pct':>10}{'worst':>10}{'updates/s to a reader':>24}")
    for code, mine, n_read in zip(CODES, lags, read, strict=True):
        row = [f"{np.median(mine):.0f} ms", f"{np.percentile(mine, 99):.0f} ms", f"{max(mine):.0f} ms"]
        print(f"{code:<10}{len(mine) / seconds:>10.0f}{row[0]:>10}{row[1]:>10}{row[2]:>10}", end="")
        print(f"{n_read / seconds / READERS:>24.0f}")
    print(f"{'at most':<10}{'':>10}{'60 ms':>10}{'120 ms':>10}{'':>10}{'60':>24}")


if __name__ == "__main__":
    main()
