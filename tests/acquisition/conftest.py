"""A device behind a pseudo-terminal, in plain Python: what a board with a serial port looks like from the computer."""

import contextlib
import os
import select
import sys
import threading
import time

import pytest


class PtyDevice:
    """Prints lines at ``rate_hz`` from its own thread while somebody has the port open.

    ``path`` is a link, so that unplugging (link and terminal vanish) and replugging (a new terminal) can be played.
    """

    def __init__(self, path, *, rate_hz=100.0, line="{k} {k}\n", greeting=b"", n_columns=None):
        self.path = str(path)
        self.rate_hz, self.line, self.greeting = rate_hz, line, greeting
        self.sent = 0
        self.received = bytearray()
        self.talking = True
        self.plug()

    def plug(self):
        import tty

        self._master, slave = os.openpty()
        tty.setraw(slave)  # before anything is written: else echo and line-end mangling
        os.symlink(os.ttyname(slave), self.path)
        os.close(slave)
        os.set_blocking(self._master, False)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def unplug(self):
        self._stop.set()
        self._thread.join()
        os.unlink(self.path)
        os.close(self._master)

    def write(self, data):
        """From any thread; what does not fit is lost, as on a real board."""
        with contextlib.suppress(BlockingIOError):
            os.write(self._master, data)

    def _run(self):
        poll = select.poll()
        poll.register(self._master, select.POLLIN)
        greeted, started, sent = False, 0.0, 0
        while not self._stop.wait(0.002):
            event = dict(poll.poll(0)).get(self._master, 0)
            if event & select.POLLHUP:  # nobody has it open
                greeted = False
                continue
            if event & select.POLLIN:
                self.received += os.read(self._master, 4096)
            if not greeted:
                greeted, started, sent = True, time.monotonic(), 0
                self.write(self.greeting)
            due = int((time.monotonic() - started) * self.rate_hz)
            if self.talking and due > sent:
                block = "".join(self.line.format(k=self.sent + i) for i in range(due - sent))
                self.write(block if isinstance(block, bytes) else block.encode("latin-1"))
                self.sent += due - sent
            sent = due


@pytest.fixture
def pty_device(tmp_path):
    if sys.platform == "win32":
        pytest.skip("pseudo-terminals are a Unix thing")
    devices = []

    def make(**options):
        devices.append(PtyDevice(tmp_path / f"tty{len(devices)}", **options))
        return devices[-1]

    yield make
    for device in devices:
        if os.path.lexists(device.path):
            device.unplug()
