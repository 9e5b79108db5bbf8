"""What the bad days need: a board whose plug can be pulled, the program as a subprocess, and a page without pixels."""

from __future__ import annotations

import contextlib
import json
import os
import random
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from websockets.exceptions import ConnectionClosed
from websockets.sync.client import ClientConnection, connect
from websockets.typing import Origin

from .busy import FreeTime
from .web.reading import ReadUpdate, read_update

RATE_HZ = 100
TICK_S = 0.01
STEP_S = 0.005
START_S = 90.0  # far more than a start takes, even on a machine that is busy with other things
PLAN = """
title = "One long hold"
[[block]]
[[block.phase]]
kind = "contract"
duration_s = 120
band = [20, 30]
ask = true
"""


class Board:
    """Prints ``seq value`` a hundred times a second on a pseudo-terminal behind a name that stays, as udev's do.

    ``newton`` is what it weighs; ``speak`` replaces its lines, ``None`` for silence. Pulling the plug takes the
    terminal away; plugging in makes another one, the sequence beginning again as after a reset.
    """

    def __init__(self, folder: Path) -> None:
        self.path = folder / "board"
        self.newton = 0.0
        self.speak: Callable[[int], bytes] | None = self._line
        self._noise = random.Random(1)
        self._lock = threading.Lock()
        self._closed = threading.Event()
        self._ends: tuple[int, int] | None = None
        self._n_sent = 0
        self.plug_in()
        self._thread = threading.Thread(target=self._print, daemon=True)
        self._thread.start()

    @property
    def source(self) -> str:
        return f"serial:{self.path}?rate={RATE_HZ}&channels=force:N&columns=seq,force"

    def plug_in(self) -> None:
        import tty

        ends = os.openpty()
        tty.setraw(ends[1])
        os.set_blocking(ends[0], False)
        with self._lock:
            self._ends, self._n_sent, self._started_s = ends, 0, time.monotonic()
            self.path.unlink(missing_ok=True)
            self.path.symlink_to(os.ttyname(ends[1]))

    def pull_out(self) -> None:
        with self._lock:
            self.path.unlink(missing_ok=True)
            for end in self._ends or ():
                os.close(end)
            self._ends = None

    def close(self) -> None:
        self._closed.set()
        self._thread.join()
        self.pull_out()

    def _line(self, number: int) -> bytes:
        return f"{number} {self.newton + self._noise.gauss(0, 0.05):.3f}\n".encode()

    def _print(self) -> None:
        while not self._closed.wait(STEP_S):
            with self._lock:
                due = round((time.monotonic() - self._started_s) * RATE_HZ)
                numbers = range(self._n_sent, due)
                self._n_sent = due
                if self._ends and self.speak:
                    with contextlib.suppress(BlockingIOError):  # nobody reads: a board does not wait
                        os.write(self._ends[0], b"".join(map(self.speak, numbers)))


def run_program(
    *arguments: object, within_s: float = START_S, before: Sequence[str] = (), **options: Any
) -> subprocess.CompletedProcess[str]:
    """A command that ends by itself; ``before`` stands in front of it."""
    command = [*before, sys.executable, "-m", "biofeedback", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, timeout=within_s, check=False, **options)


def read_one_line(result: subprocess.CompletedProcess[str]) -> str:
    """The one line in which the program says what is wrong and what to do about it; exit code 1."""
    assert result.returncode == 1, result
    (line,) = result.stderr.splitlines()
    what, _, cure = line.removeprefix("biofeedback: ").partition("; ")
    assert what, line
    assert cure, f"no cure: {line}"
    return line


class Program:
    """``biofeedback live`` as a coach starts it, in a folder of its own."""

    def __init__(self, source: str, folder: Path, *more: str, environment: dict[str, str] | None = None) -> None:
        self.folder = folder
        command = [sys.executable, "-m", "biofeedback", "live", "--source", source, "--folder", str(folder)]
        self.process = subprocess.Popen(
            [*command, "--no-browser", "--port", "0", *more],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, **(environment or {})},
        )
        self.address = self._wait_for_address()
        self._pages: list[Page] = []

    def _wait_for_address(self) -> str:
        assert self.process.stdout is not None
        said = ""
        for line in self.process.stdout:
            said += line
            if found := re.search(r"http://\S+", line):
                return found.group()
        raise AssertionError(f"the program ended: {said} {self.process.communicate()[1]}")

    @property
    def recording(self) -> Path:
        (path,) = self.folder.glob("*.hold")
        return path

    def open_page(self) -> Page:
        self._pages.append(Page(self.address))
        return self._pages[-1]

    def end(self, number: int = signal.SIGINT) -> tuple[int, str, str]:
        """Exit code and what was said, after Ctrl-C or another signal."""
        self.process.send_signal(number)
        out, err = self.process.communicate(timeout=60)
        return self.process.returncode, out, err

    def close(self) -> None:
        for page in self._pages:
            page.close()
        self.process.kill()
        self.process.communicate()


class Page:
    """A page's side of the WebSocket: the newest state and update, and the moments at which they came."""

    def __init__(self, address: str) -> None:
        host = urlsplit(address).netloc  # the key behind it is the browser's; here the account is known
        self._open = contextlib.ExitStack()
        call = connect(f"ws://{host}/ws", origin=Origin(f"http://{host}"), compression=None, close_timeout=0.2)
        self._socket: ClientConnection = self._open.enter_context(call)
        self.state: dict[str, Any] = {}
        self.update: ReadUpdate | None = None
        self._replies: dict[int, dict[str, Any]] = {}
        self._n_asked = 0

    def close(self) -> None:
        self._open.close()

    def wait(self, condition: Callable[[Page], object], within_s: float = 30.0) -> float:
        """Free seconds until ``condition`` holds; every message that comes is looked at."""
        free = FreeTime()
        while not condition(self):
            left_s = within_s - free.tick()
            assert left_s > 0, f"did not happen within {within_s} s: {self.state.get('message')} {self.update}"
            self._take(min(left_s, 0.1))
        return free.tick()

    def _take(self, within_s: float) -> None:
        try:
            message = self._socket.recv(timeout=max(0.01, within_s))
        except TimeoutError:
            return
        except ConnectionClosed as error:
            raise AssertionError("the program has closed the page") from error
        if isinstance(message, bytes):
            self.update = read_update(message)
            return
        said = json.loads(message)
        self.state = said.get("state", self.state)
        if reply := said.get("reply"):
            self._replies[reply["id"]] = reply

    def say(self, do: str, **fields: Any) -> dict[str, Any]:
        """A command and the reply to it."""
        self._n_asked += 1
        number = self._n_asked
        self._socket.send(json.dumps({"id": number, "do": do, **fields}))
        self.wait(lambda page: number in page._replies)
        return self._replies.pop(number)

    def do(self, do: str, **fields: Any) -> None:
        reply = self.say(do, **fields)
        assert reply["ok"], reply

    @property
    def message(self) -> str:
        return (self.state.get("message") or {}).get("text", "")

    @property
    def time_s(self) -> float:
        return self.update.time_s if self.update else 0.0

    @property
    def is_stale(self) -> bool:
        return self.update is not None and bool(self.update.bits & 1)

    @property
    def effort_percent(self) -> float:
        return self.update.percent[0] if self.update else float("nan")

    def start_hold(self, board: Board) -> None:
        """Through cautions and zero into the long hold at a quarter of the maximum, which is 100 N."""
        self.do("accept_cautions")
        self.do("zero")
        self.wait(lambda page: page.state["zero"]["state"] == "done")
        self.do("start_plan", plan="long")
        board.newton = 25.0
        self.wait(lambda page: page.update is not None and 20 < page.effort_percent < 30)
