"""From a byte on the wire to a painted pixel: a board, the program and a page in headless Chromium on one clock.

Run: python tests/benchmarks/bench_page.py [--seconds 20]
A level is known when its last frame has been written; what follows is ours: port, decoder, filter, engine, socket,
browser, paint. The filter's own delay is a property of the signal and is not in these figures.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
from playwright.sync_api import sync_playwright

from biofeedback.storage.recording import open_recording

RATE_HZ, HOP = 1000, 10
WATCH = """() => {
  window.painted = [];
  const number = document.getElementById('number');
  let last = '';
  const look = () => {
    if (number.dataset.level !== last) {
      last = number.dataset.level;
      const level = +last;
      requestAnimationFrame((t) => window.painted.push([level, performance.timeOrigin + t]));
    }
    requestAnimationFrame(look);
  };
  requestAnimationFrame(look);
}"""
BROWSER = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking"]
BROWSER += ["--disable-component-update", "--disable-sync"]


class Board:
    """Writes ``seq value`` every 2 ms and remembers when each frame left."""

    def __init__(self) -> None:
        import tty

        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        self.path = os.ttyname(self.slave)
        self.written_s: list[float] = []
        self.stop = threading.Event()
        self.go = threading.Event()
        self.wave_from: int | None = None
        threading.Thread(target=self.run, daemon=True).start()

    def value(self, k: int) -> float:
        if self.wave_from is None or k < self.wave_from:
            return 0.0
        return 50 + 40 * np.sin(2 * np.pi * 0.5 * (k - self.wave_from) / RATE_HZ)

    def run(self) -> None:
        started = time.monotonic()
        while not self.stop.wait(0.002):
            due = int((time.monotonic() - started) * RATE_HZ)
            k = len(self.written_s)
            if self.go.is_set() and self.wave_from is None:
                self.wave_from = k
            values = [self.value(i) for i in range(k, due)]
            lines = "".join(f"{i} {value:.3f}\n" for i, value in zip(range(k, due), values, strict=True))
            os.write(self.master, lines.encode())
            self.written_s += [time.time()] * (due - k)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=20.0)
    seconds = parser.parse_args().seconds
    board = Board()
    with tempfile.TemporaryDirectory() as folder:
        source = f"serial:{board.path}?rate={RATE_HZ}&channels=force:N&columns=seq,force"
        command = [sys.executable, "-m", "biofeedback", "live", "--source", source, "--maximum", "force=100"]
        command += ["--port", "0", "--folder", folder, "--no-browser"]
        process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        address = ""
        while not address:
            if found := re.search(r"http://\S+", process.stdout.readline()):
                address = found.group()
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=BROWSER)
            page = browser.new_page()
            page.goto(address)
            page.locator("#accept-cautions").click()
            page.locator("#zero").click()
            page.get_by_role("button", name="Start Light hold").click()
            page.locator("#stop").wait_for()
            board.go.set()
            page.evaluate(WATCH)
            time.sleep(seconds)
            painted = page.evaluate("() => window.painted")
            browser.close()
        process.terminate()
        process.communicate()
        counts = open_recording(next(Path(folder).glob("*.hold"))).counts()[:, 0]
        offset = board.wave_from - int(np.flatnonzero(counts)[0])  # the port was opened while the board was talking
    board.stop.set()
    lags = []
    for level, at_ms in painted[5:]:
        frame = offset + (int(level) + 1) * HOP - 1
        if 0 <= frame < len(board.written_s):
            lags.append(at_ms - 1000 * board.written_s[frame])
    if not lags:
        raise SystemExit("the page painted nothing")
    rows = [
        ("paints measured", f"{len(lags)} in {seconds:.0f} s", ""),
        ("median, byte to paint", f"{np.median(lags):.0f} ms", "at most 60 ms"),
        ("99th percentile", f"{np.percentile(lags, 99):.0f} ms", "at most 120 ms"),
        ("worst", f"{max(lags):.0f} ms", ""),
        ("one display frame, for scale", f"{1000 / 60:.0f} ms", ""),
    ]
    for name, value, limit in rows:
        print(f"{name:<36}{value:<20}{limit}")


if __name__ == "__main__":
    main()
