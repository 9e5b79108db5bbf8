"""What the live path costs: 8 channels of raw EMG at 1 kHz, decoded, filtered, scaled, recorded, sent to a page.

Run: python tests/benchmarks/bench_live.py [--seconds 30]   (an hour, for the growth of memory: --seconds 3600)
A separate process plays the board through a pseudo-terminal, another is the page. CPU is what the operating system
accounts to the whole process. Peers in the same conditions: a loop that only reads the port 60 times a second and makes
floats of the lines; and a program that does nothing but wake up, hand over to an event loop and send to a page as often
as ours, which is what this machine charges for being prompt (a virtual machine charges ten times as much as a laptop).
The work of one update in a loop without sleeps says what is ours.
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
from urllib.parse import urlsplit

import numpy as np

from biofeedback.acquisition.decoder import LineDecoder
from biofeedback.acquisition.timeline import Timeline
from biofeedback.model import Channel, Note
from biofeedback.session.engine import Engine
from biofeedback.session.run import LiveSession
from biofeedback.session.session import Session
from biofeedback.session.setup import Setup
from biofeedback.web.slots import PageSlot, StateText

RATE_HZ, N_CHANNELS = 1000, 8
N_ROWS = 60 * RATE_HZ  # a board that says the same second again and again looks cut off at its extremes
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
NOTHING = """
import asyncio, threading, time
from websockets.asyncio.server import serve
async def main():
    loop, due = asyncio.get_running_loop(), asyncio.Event()
    def wake():
        while True:
            time.sleep(0.0165)
            loop.call_soon_threadsafe(due.set)
    async def page(socket):
        while True:
            await due.wait()
            due.clear()
            await socket.send(bytes(220))
    async with serve(page, '127.0.0.1', 0, compression=None) as server:
        threading.Thread(target=wake, daemon=True).start()
        print('http://127.0.0.1:%d/' % server.sockets[0].getsockname()[1], flush=True)
        await loop.create_future()
asyncio.run(main())
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
        block = rng.normal(0, 200, (N_ROWS, N_CHANNELS)).astype(int) + 512
        lines = [(" ".join(map(str, row)) + "\n").encode() for row in block.tolist()]
        started, sent = time.monotonic(), 0
        while True:
            time.sleep(0.004)
            due = int((time.monotonic() - started) * RATE_HZ)
            os.write(self.master, b"".join(lines[k % N_ROWS] for k in range(sent, due)))
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
        host = urlsplit(address).netloc  # without the key, which this account needs none of
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


def measure_nothing(seconds: float) -> float:
    process = subprocess.Popen([sys.executable, "-c", NOTHING], stdout=subprocess.PIPE, text=True)
    try:
        page = threading.Thread(target=watch_page, args=(process.stdout.readline().strip(), seconds + 3))
        page.start()
        time.sleep(1)
        before, started = cpu_s(process.pid), time.monotonic()
        time.sleep(seconds)
        percent = 100 * (cpu_s(process.pid) - before) / (time.monotonic() - started)
        page.join()
        return percent
    finally:
        process.kill()
        process.wait()


def measure_work(n_updates: int = 3000) -> float:
    """Microseconds from the bytes of 16.5 ms to the bytes for a page, without port, disk and sleeps."""
    channels = [Channel(name=f"emg{k}", kind="emg", unit="uV") for k in range(N_CHANNELS)]
    decoder, timeline = LineDecoder(N_CHANNELS), Timeline(RATE_HZ, N_CHANNELS)
    engine = Engine(channels, RATE_HZ, Setup(), [])
    live = LiveSession(Session(engine, NoRecorder(), utc=str, cue=id), NoFeed(), recording_name="")
    slot = PageSlot(live, StateText(live))
    rows = (np.random.default_rng(1).normal(0, 200, (N_ROWS, N_CHANNELS)).astype(int) + 512).tolist()
    lines = [(" ".join(map(str, row)) + "\n").encode() for row in rows]
    pieces = [b"".join(lines[at : at + 16 + at % 2]) for at in range(0, N_ROWS - 33, 33)]
    started = 0.0
    for k in range(-100, n_updates):
        if k == 0:
            started = time.perf_counter()
        for item in timeline.place(decoder.feed(pieces[k % len(pieces)]), 0.0165 * k):
            if not isinstance(item, Note):
                engine.push(item)
        slot.take()
    return 1e6 * (time.perf_counter() - started) / n_updates


class NoRecorder:
    problem = None

    def append(self, item: object) -> None: ...
    def event(self, event: object) -> None: ...


class NoFeed:
    said, trouble, device_id, deviating_rate_hz = None, "", "", None


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=30.0)
    seconds = parser.parse_args().seconds
    peer = measure_peer(min(seconds, 20))
    nothing = measure_nothing(min(seconds, 20))
    ours, work_us = measure_product(seconds), measure_work()
    rows = [
        ("CPU of the whole program", f"{ours['cpu_percent']:.1f} % of a core", "at most 5 %"),
        ("CPU of a loop that only reads and makes floats", f"{peer:.1f} % of a core", ""),
        ("CPU of a program that only wakes up and sends", f"{nothing:.1f} % of a core", ""),
        ("the work of one update, without sleeps", f"{work_us:.0f} us", ""),
        ("that 60 times a second", f"{work_us * 60 / 1e4:.1f} % of a core", ""),
        ("updates received by the page", f"{ours['updates_per_s']:.1f} per s", "60"),
        ("memory", f"{ours['memory_mb']:.0f} MB", ""),
        ("growth after warming up", f"{ours['grown_mb']:+.1f} MB in {seconds:.0f} s", ""),
        ("growth per hour", f"{ours['grown_mb_per_h']:+.1f} MB", "below 5 MB (--seconds 3600 tells)"),
    ]
    for name, value, limit in rows:
        print(f"{name:<50}{value:<24}{limit}")


if __name__ == "__main__":
    main()
