"""What encryption costs: four athletes with three pages each, in turns against plain http, and handshakes.

    python tests/benchmarks/bench_tls.py [--seconds 10] [--turns 4]

One program serves the same four sessions to both: plain to this computer, encrypted to its address on the network.
Counted is the processor time of that program alone, while one set of twelve pages reads all that comes.
"""

from __future__ import annotations

import argparse
import asyncio
import http.client
import json
import multiprocessing
import os
import ssl
import sys
import tempfile
import time
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from multiprocessing.connection import Connection
from pathlib import Path
from urllib.parse import urlsplit

import numpy as np
import pytest
from websockets.asyncio.client import connect

sys.path.insert(0, str(Path(__file__).parents[2]))

from biofeedback.acquisition.reader import make_reader
from biofeedback.acquisition.sources import open_source
from biofeedback.session.engine import Engine
from biofeedback.session.plan import load_plan
from biofeedback.session.run import LiveSession
from biofeedback.session.session import Session
from biofeedback.session.setup import Setup
from biofeedback.web.certificate import find_certificate
from biofeedback.web.seats import Seat
from biofeedback.web.server import open_page
from biofeedback.web.sharing import Invitation
from biofeedback.wiring.live_sessions import WiredFeed
from tests.web.phone_evening import Memory
from tests.web.test_sharing import OUTSIDE, pretend_network

N_ATHLETES, N_PAGES = 4, 3
LIMIT_PERCENT = 1.0
N_HANDSHAKES = 100


def serve(end: Connection, folder: str) -> None:
    """Four simulated athletes; tells the port, the process and a code for each, and ends when it is told to."""
    with pytest.MonkeyPatch.context() as patch:
        pretend_network(patch)
        asyncio.run(serve_until_told(end, folder))


async def serve_until_told(end: Connection, folder: str) -> None:
    lives = []
    for k in range(N_ATHLETES):
        source = open_source(f"simulated:?seed={k + 1}&channels=force")
        source.open()
        engine = Engine(source.channels, source.rate_hz, Setup(athlete=f"A0{k + 1}"), [load_plan("light-hold")])
        session = Session(engine, Memory(), utc=lambda: "", cue=source.cue)
        lives.append(LiveSession(session, WiredFeed(make_reader(source)), recording_name="A.hold"))
    running = [asyncio.create_task(live.run()) for live in lives]
    invitations: list[Invitation] = []
    page = open_page(
        lives[0], port=0, others=[Seat(live) for live in lives[1:]], share=invitations.extend,
        certify=lambda hosts: find_certificate(Path(folder), hosts),
    )  # fmt: skip
    async with page as address:
        end.send((urlsplit(address).port, os.getpid(), {one.seat: one.code for one in invitations if one.seat}))
        await asyncio.to_thread(end.recv)
    for live in lives:
        live.stop()
    await asyncio.gather(*running)


def used_s(process: int) -> float:
    """Processor seconds of a process so far (Linux)."""
    fields = Path(f"/proc/{process}/stat").read_text("ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def join(context: ssl.SSLContext, port: int, code: str) -> str:
    """The cookie of a phone that typed a code."""
    connection = http.client.HTTPSConnection(OUTSIDE, port, context=context)
    connection.request("POST", "/pair", code, {"Origin": f"https://{OUTSIDE}:{port}"})
    answer = connection.getresponse()
    answer.read()
    connection.close()
    return (answer.getheader("set-cookie") or "").split(";")[0]


@asynccontextmanager
async def twelve_pages(port: int, cookies: dict[int, str] | None, context: ssl.SSLContext) -> AsyncIterator[list[int]]:
    """Pages that read whatever comes, encrypted where there are cookies; yields bytes and updates so far."""
    read = [0, 0]

    async def follow(page: object) -> None:
        async for message in page:  # type: ignore[attr-defined]
            read[0] += len(message)
            read[1] += isinstance(message, bytes)

    async with AsyncExitStack() as stack:
        followers, pages = [], []
        for seat in range(1, N_ATHLETES + 1):
            for _ in range(N_PAGES):
                host = f"{OUTSIDE if cookies else '127.0.0.1'}:{port}"
                more = {"ssl": context, "additional_headers": {"Cookie": cookies[seat]}} if cookies else {}
                scheme = ("wss", "https") if cookies else ("ws", "http")
                page = await stack.enter_async_context(
                    connect(f"{scheme[0]}://{host}/ws?seat={seat}", origin=f"{scheme[1]}://{host}", proxy=None, **more)  # type: ignore[arg-type]
                )
                await page.send(json.dumps({"id": 1, "do": "ping"}))
                pages.append(page)
                followers.append(asyncio.create_task(follow(page)))
        yield read
        for follower in followers:
            follower.cancel()
        for page in pages:
            page.transport.abort()  # as a page that is gone: else each waits for a farewell


async def take_turns(
    port: int, process: int, cookies: dict[int, str], context: ssl.SSLContext, *, seconds: float, turns: int
) -> dict[str, list[tuple[float, float]]]:
    """Percent of a core and updates a second to each page, by turn."""
    found: dict[str, list[tuple[float, float]]] = {"plain": [], "encrypted": []}
    for turn in range(2 * turns):
        name = "encrypted" if turn % 2 else "plain"
        async with twelve_pages(port, cookies if name == "encrypted" else None, context) as read:
            await asyncio.sleep(1.5)
            was_s, was, start_s = used_s(process), read[1], time.monotonic()
            await asyncio.sleep(seconds)
            took_s = time.monotonic() - start_s
            share = 100 * (used_s(process) - was_s) / took_s
            found[name].append((share, (read[1] - was) / took_s / N_ATHLETES / N_PAGES))
    return found


def shake_hands(port: int, process: int, context: ssl.SSLContext) -> dict[str, float]:
    """Processor ms of the program for a connection with one small request, in turns."""
    spent = {"plain": 0.0, "encrypted": 0.0}
    for _ in range(4):
        for name in spent:
            was_s = used_s(process)
            for _ in range(N_HANDSHAKES // 4):
                secure = name == "encrypted"
                connection = (
                    http.client.HTTPSConnection(OUTSIDE, port, context=context)
                    if secure
                    else http.client.HTTPConnection("127.0.0.1", port)
                )
                connection.request("GET", "/static/shared/dom.js")
                connection.getresponse().read()
                connection.close()
            spent[name] += used_s(process) - was_s
    return {name: 1000 * total_s / N_HANDSHAKES for name, total_s in spent.items()}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--turns", type=int, default=4)
    args = parser.parse_args()
    context = ssl.create_default_context()
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    start = multiprocessing.get_context("spawn")
    end, other = start.Pipe()
    with tempfile.TemporaryDirectory() as folder:
        program = start.Process(target=serve, args=(other, folder))
        program.start()
        port, process, codes = end.recv()
        cookies = {seat: join(context, port, code) for seat, code in codes.items()}
        found = asyncio.run(take_turns(port, process, cookies, context, seconds=args.seconds, turns=args.turns))
        idle_s, start_s = used_s(process), time.monotonic()
        time.sleep(3.0)
        idle = (used_s(process) - idle_s) / (time.monotonic() - start_s)
        hands = shake_hands(port, process, context)
        end.send(None)
        program.join()
    print(f"{N_ATHLETES} athletes with {N_PAGES} pages each, load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    print(f"(with no page at all {100 * idle:.1f} % of a core)")
    for name, rows in found.items():
        shares = ", ".join(f"{share:.1f}" for share, _ in rows)
        rates = np.median([rate for _, rate in rows])
        print(
            f"{name:<10} {np.median([share for share, _ in rows]):6.1f} % of a core ({shares}), {rates:.0f} updates/s"
        )
    more = np.median([e[0] - p[0] for e, p in zip(found["encrypted"], found["plain"], strict=True)])
    print(f"TLS adds   {more:6.1f} % of a core (at most {LIMIT_PERCENT:g})")
    more_ms = hands["encrypted"] - hands["plain"]
    print(f"a connection and a request, ms of a core: plain {hands['plain']:.1f}, encrypted {hands['encrypted']:.1f}")
    print(f"a handshake {more_ms:.1f} ms")


if __name__ == "__main__":
    main()
