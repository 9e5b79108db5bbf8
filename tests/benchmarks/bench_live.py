"""What the live path costs: 8 channels of raw EMG at 1 kHz, decoded, filtered, scaled, recorded, sent to a page.

Run: python tests/benchmarks/bench_live.py [--seconds 30]   (an hour, for the growth of memory: --seconds 3600)
A separate process plays the board through a pseudo-terminal, another is the page. Peer in the same conditions: a loop
that only reads the port 60 times a second and makes floats of the lines. CPU is what the operating system accounts to
the whole process.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import re
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np

RATE_HZ, N_CHANNELS = 1000, 8
WARM_S = 60.0
PEER = """
import serial, sys, time
port = serial.Serial(sys.argv[1], timeout=0)
print('ready', flush=True)
while True:
    time.sleep(1 / 60)
    for line in port.read(65536).split(b'\\n'):
        [float(word) for word in line.split()]
"""


class Board:
    """Prints frames at 1 kHz from a process of its own."""

    def __init__(self) -> None:
        import tty

        self.master, slave = os.openpty()
        tty.setraw(slave)
        self.path = os.ttyname(slave)
        self.slave = slave  # kept open, so that the port survives the program under test
        self.child = os.fork()
        if not self.child:
            self._print_forever()

    def _print_forever(self) -> None:
        rng = np.random.default_rng(1)
        block = rng.normal(0, 200, (RATE_HZ, N_CHANNELS)).astype(int) + 512
        lines = [(" ".join(map(str, row)) + "\n").encode() for row in block.tolist()]
        started, sent = time.monotonic(), 0
        while True:
            time.sleep(0.004)
            due = int((time.monotonic() - started) * RATE_HZ)
            os.write(self.master, b"".join(lines[k % RATE_HZ] for k in range(sent, due)))
            sent = due

    def close(self) -> None:
        os.kill(self.child, 9)
        os.waitpid(self.child, 0)


def cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def memory_mb(pid: int) -> float:
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 2**20


def watch_page(address: str, seconds: float) -> float:
    """Updates per second that a page receives."""
    from websockets.asyncio.client import connect

    async def count() -> float:
        host = address.rstrip("/").removeprefix("http://")
        async with connect(f"ws://{host}/ws", origin=f"http://{host}", compression=None) as page:
            n, end = 0, time.monotonic() + seconds
            while time.monotonic() < end:
                n += isinstance(await page.recv(), bytes)
        return n / seconds

    return asyncio.run(count())


def measure_product(seconds: float) -> dict[str, float]:
    board = Board()
    channels = ",".join(f"emg{k}:uV" for k in range(N_CHANNELS))
    with tempfile.TemporaryDirectory() as folder:
        source = f"serial:{board.path}?rate={RATE_HZ}&channels={channels}"
        command = [sys.executable, "-m", "biofeedback", "live", "--source", source, "--port", "0"]
        process = subprocess.Popen(
            [*command, "--folder", folder, "--no-browser"], stdout=subprocess.PIPE, text=True, bufsize=1
        )
        try:
            address = ""
            while not address:
                line = process.stdout.readline()
                if not line:
                    raise SystemExit("the program ended early")
                if found := re.search(r"http://\S+", line):
                    address = found.group()
            time.sleep(3)
            before, started = cpu_s(process.pid), time.monotonic()
            result = {}
            page = threading.Thread(target=lambda: result.update(updates=watch_page(address, seconds)))
            page.start()
            page.join(min(WARM_S, seconds / 2))  # buffers fill and the page's code is loaded once
            memory, warm = memory_mb(process.pid), time.monotonic()
            page.join()
            elapsed = time.monotonic() - started
            grown = memory_mb(process.pid) - memory
            return {
                "cpu_percent": 100 * (cpu_s(process.pid) - before) / elapsed,
                "updates_per_s": result["updates"],
                "memory_mb": memory,
                "grown_mb": grown,
                "grown_mb_per_h": grown * 3600 / (time.monotonic() - warm),
            }
        finally:
            process.terminate()
            process.wait(20)
            board.close()


def measure_peer(seconds: float) -> float:
    board = Board()
    process = subprocess.Popen([sys.executable, "-c", PEER, board.path], stdout=subprocess.PIPE, text=True)
    try:
        process.stdout.readline()
        time.sleep(1)
        before, started = cpu_s(process.pid), time.monotonic()
        time.sleep(seconds)
        return 100 * (cpu_s(process.pid) - before) / (time.monotonic() - started)
    finally:
        process.kill()
        process.wait()
        board.close()


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=30.0)
    seconds = parser.parse_args().seconds
    peer = measure_peer(min(seconds, 20))
    ours = measure_product(seconds)
    rows = [
        ("CPU of the whole program", f"{ours['cpu_percent']:.1f} % of a core", "at most 5 %"),
        ("CPU of a loop that only reads and makes floats", f"{peer:.1f} % of a core", ""),
        ("ratio", f"{ours['cpu_percent'] / peer:.1f}", ""),
        ("updates received by the page", f"{ours['updates_per_s']:.1f} per s", "60"),
        ("memory", f"{ours['memory_mb']:.0f} MB", ""),
        ("growth after warming up", f"{ours['grown_mb']:+.1f} MB in {seconds:.0f} s", ""),
        ("growth per hour", f"{ours['grown_mb_per_h']:+.1f} MB", "below 5 MB (--seconds 3600 tells)"),
    ]
    for name, value, limit in rows:
        print(f"{name:<50}{value:<24}{limit}")


if __name__ == "__main__":
    main()
