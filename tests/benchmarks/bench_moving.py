"""What a band that moves costs against one that stays: the program and a page in headless Chromium, in turns.

Run: python tests/benchmarks/bench_moving.py [--seconds 15] [--rounds 3]
A board at 1 kHz, one session; the two plans are held in turns (fixed, moving, moving, fixed, ...), so that what else
this machine does meets both. CPU is what the operating system accounts to the program, and to all of the browser.
"""

from __future__ import annotations

import argparse
import atexit
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from bench_page import BROWSER, HOP, RATE_HZ, WATCH, Board
from playwright.sync_api import sync_playwright

from biofeedback.storage.recording import open_recording

PLAN = """name = "{name}"
title = "{name}"
[[block]]
[[block.phase]]
kind = "contract"
duration_s = 120
band = [20, 30]
{shape}
"""
MOVING = "ramp = [" + ", ".join(["[5, 15], [20, 30]"] * 10) + "]"
SETTLE_S = 3.0


def cpu_s(pids: list[int]) -> float:
    total = 0.0
    for pid in pids:
        fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
        total += (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    return total


def list_children(pid: int) -> list[int]:
    """The process and all below it."""
    own = [int(each) for each in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
    return [pid, *(below for child in own for below in list_children(child))]


def find_lags(painted: list[list[float]], board: Board, offset: int) -> list[float]:
    """From the last frame of a level on the wire to its paint, in ms."""
    frames = [(offset + (int(level) + 1) * HOP - 1, at_ms) for level, at_ms in painted[5:]]
    return [at_ms - 1000 * board.written_s[k] for k, at_ms in frames if 0 <= k < len(board.written_s)]


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=15.0)
    parser.add_argument("--rounds", type=int, default=3)
    args = parser.parse_args()
    board = Board()
    program: dict[str, list[float]] = {"fixed": [], "moving": []}
    pages: dict[str, list[float]] = {"fixed": [], "moving": []}
    painted: dict[str, list[list[list[float]]]] = {"fixed": [], "moving": []}
    with tempfile.TemporaryDirectory() as folder:
        for name, shape in (("fixed", ""), ("moving", MOVING)):
            (Path(folder) / f"{name}.toml").write_text(PLAN.format(name=name, shape=shape))
        source = f"serial:{board.path}?rate={RATE_HZ}&channels=force:N&columns=seq,force"
        command = [sys.executable, "-m", "biofeedback", "live", "--source", source, "--maximum", "force=100"]
        command += ["--port", "0", "--folder", folder, "--no-browser"]
        command += [part for name in program for part in ("--plan", str(Path(folder) / f"{name}.toml"))]
        process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        atexit.register(process.kill)
        address = ""
        while not address:
            if found := re.search(r"http://\S+", process.stdout.readline()):
                address = found.group()
        with sync_playwright() as playwright:
            before = set(list_children(os.getpid()))
            browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=BROWSER)
            page = browser.new_page()
            page.set_default_timeout(20_000)
            page.goto(address)
            page.locator("#accept-cautions").click()
            page.locator("#zero").click()
            page.get_by_role("button", name="Start fixed", exact=True).wait_for()
            board.go.set()
            page.evaluate(WATCH)
            for turn in range(2 * args.rounds):
                name = ("fixed", "moving", "moving", "fixed")[turn % 4]
                page.get_by_role("button", name=f"Start {name}", exact=True).click()
                page.locator("#stop").wait_for()
                time.sleep(SETTLE_S)
                theirs = [pid for pid in list_children(os.getpid()) if pid not in before and pid != process.pid]
                page.evaluate("() => { window.painted = []; }")
                own, drawn, started = cpu_s([process.pid]), cpu_s(theirs), time.monotonic()
                time.sleep(args.seconds)
                elapsed = time.monotonic() - started
                program[name].append(100 * (cpu_s([process.pid]) - own) / elapsed)
                pages[name].append(100 * (cpu_s(theirs) - drawn) / elapsed)
                painted[name].append(page.evaluate("() => window.painted"))
                page.locator("#stop").click()
                page.locator("#again").click()
            browser.close()
        process.terminate()
        process.communicate()
        counts = open_recording(next(Path(folder).glob("*.hold"))).counts()[:, 0]
        offset = board.wave_from - int(np.flatnonzero(counts)[0])
    board.stop.set()
    lags = {name: [lag for each in painted[name] for lag in find_lags(each, board, offset)] for name in painted}
    print(f"load at the end {os.getloadavg()[0]:.1f}, {args.rounds} times {args.seconds:.0f} s of each, in turns")
    print(f"{'':<36}{'fixed':>10}{'moving':>10}{'ratio':>8}")
    rows = [
        ("program, % of a core", np.mean(program["fixed"]), np.mean(program["moving"])),
        ("browser, % of a core", np.mean(pages["fixed"]), np.mean(pages["moving"])),
        ("byte to paint, median, ms", np.median(lags["fixed"]), np.median(lags["moving"])),
        ("byte to paint, 99th percentile, ms", np.percentile(lags["fixed"], 99), np.percentile(lags["moving"], 99)),
        ("paints a second", *(len(lags[n]) / args.rounds / args.seconds for n in ("fixed", "moving"))),
    ]
    for name, fixed, moving in rows:
        print(f"{name:<36}{fixed:>10.2f}{moving:>10.2f}{moving / fixed:>8.2f}")
    spread = [f"{name} {min(values):.2f}-{max(values):.2f}" for name, values in program.items()]
    print(f"program from turn to turn: {', '.join(spread)}")


if __name__ == "__main__":
    main()
