"""Out of everything: the session goes on or ends in order, with a line a minute."""

from __future__ import annotations

import asyncio
import errno
import os
import resource
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from biofeedback.storage.check import check_recording
from biofeedback.web.connection_limits import RefusalLog
from biofeedback.web.shortage import find_shortage, told_shortages

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


@pytest.mark.skipif(sys.platform != "linux", reason="counts open files in /proc")
def test_a_session_without_open_files_left_goes_on_and_ends_in_order(tmp_path: Path) -> None:
    source = "simulated:?seed=1&channels=force"
    command = [sys.executable, "-m", "biofeedback", "live", "--source", source, "--athlete", "A01", "--no-browser"]
    command += ["--port", "0", "--folder", str(tmp_path / "f")]
    limit = lambda: resource.setrlimit(resource.RLIMIT_NOFILE, (20, 20))  # noqa: E731
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
        held = [socket.create_connection(("127.0.0.1", port), timeout=5) for _ in range(40)]
        time.sleep(2.5)  # two rounds of tries to take a connection
        session.send_signal(signal.SIGINT)
        out, err = session.communicate(timeout=30)
        for each in held:
            each.close()
    assert session.returncode == 0, err
    assert "Traceback" not in err
    assert len(err.splitlines()) <= 3, err
    assert "Recorded: " in out
    (path,) = (tmp_path / "f").glob("*.hold")
    assert check_recording(path).is_sound
    assert not Path(f"{path}-wal").exists()
