"""Out of everything: the session goes on or ends in order, with a line a minute."""

from __future__ import annotations

import asyncio
import errno
import json
import os
import resource
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest
from websockets.sync.client import ClientConnection, connect
from websockets.typing import Origin

from biofeedback.storage.check import check_recording
from biofeedback.storage.recording import open_recording
from biofeedback.web.connection_limits import RefusalLog
from biofeedback.web.shortage import find_shortage, told_shortages

from .program import PLAN

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize(
    ("error", "short"),
    [
        (OSError(errno.EMFILE, "x"), "open files"),
        (OSError(errno.ENOSPC, "x"), None),
        (MemoryError(), "memory"),
        (RuntimeError("can't start new thread"), "threads"),
        (RuntimeError("other"), None),
        (None, None),
    ],
)
def test_what_is_short_is_named(error: BaseException | None, short: str | None) -> None:
    assert find_shortage(error) == short


def test_other_errors_of_the_loop_are_told_as_before(caplog: pytest.LogCaptureFixture) -> None:
    async def run() -> None:
        with told_shortages(RefusalLog()):
            loop = asyncio.get_running_loop()
            for _ in range(100):
                loop.call_exception_handler({"message": "accept", "exception": OSError(errno.EMFILE, "Too many")})
            loop.call_exception_handler({"message": "something else", "exception": KeyError("x")})
        assert asyncio.get_running_loop().get_exception_handler() is None

    asyncio.run(run())
    told = [record.getMessage() for record in caplog.records]
    assert told[0] == "refused: new connections: there are not enough open files left on this computer"
    assert told[1].startswith("something else")
    assert len(told) == 2


def ask(page: ClientConnection, **command: object) -> None:
    """Ask for something and wait until it is done."""
    page.send(json.dumps(command | {"id": 5}))
    while True:
        message = page.recv(10)
        reply = json.loads(message).get("reply") if isinstance(message, str) else None
        if reply and reply["id"] == 5:
            assert reply["ok"], reply
            return


def lead_into_hold(port: int) -> None:
    """As the coach's page would: cautions, zero, the plan."""
    with connect(f"ws://127.0.0.1:{port}/ws", origin=Origin(f"http://127.0.0.1:{port}"), proxy=None) as page:
        stage, asked = "", {"cautions": {"do": "accept_cautions"}, "zero": {"do": "zero"}}
        while stage != "ready":
            message = page.recv(10)
            state = json.loads(message).get("state") if isinstance(message, str) else None
            if state and state["stage"] != stage and state["stage"] in (*asked, "ready"):
                stage = state["stage"]
                if stage in asked:
                    page.send(json.dumps(asked[stage]))
        ask(page, do="start_plan", plan="short", anyway=True)


@pytest.mark.waits(8)
@pytest.mark.skipif(sys.platform != "linux", reason="limits open files")
@pytest.mark.parametrize("n_files", [20, 48])
def test_a_session_without_open_files_left_goes_on_and_ends_in_order(tmp_path: Path, n_files: int) -> None:
    (tmp_path / "short.toml").write_text(PLAN)
    source = "simulated:?seed=1&channels=force"
    command = [sys.executable, "-m", "biofeedback", "live", "--source", source, "--athlete", "A01", "--no-browser"]
    command += ["--port", "0", "--folder", str(tmp_path / "f"), "--maximum", "force=400"]
    command += ["--plan", str(tmp_path / "short.toml")]
    limit = lambda: resource.setrlimit(resource.RLIMIT_NOFILE, (n_files, n_files))  # noqa: E731
    with subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        preexec_fn=limit,  # noqa: PLW1509  # the child alone is short of files
    ) as session:
        assert session.stdout is not None
        line = next(line for line in session.stdout if line.startswith("Page: "))
        port = int(line.split(":")[3].split("/")[0])
        lead_into_hold(port)
        held = [socket.create_connection(("127.0.0.1", port), timeout=5) for _ in range(60)]
        time.sleep(2.5)  # two rounds of tries to take a connection
        session.send_signal(signal.SIGINT)
        out, err = session.communicate(timeout=120)
        for each in held:
            each.close()
    assert session.returncode == 0, err
    assert "Traceback" not in err
    assert len(err.splitlines()) <= 3, err
    assert "Recorded: " in out
    (path,) = (tmp_path / "f").glob("*.hold")
    assert check_recording(path).is_sound
    assert not Path(f"{path}-wal").exists()
    stop = [event for event in open_recording(path).events if event.kind == "stop"][-1]
    assert stop.data["reason"] == "the session ended during the hold"
