"""A device behind a pseudo-terminal, in plain Python: what a board with a serial port looks like from the computer."""

import contextlib
import os
import select
import threading
import time


class PtyDevice:
    """Prints lines at ``rate_hz`` from its own thread while somebody has the port open.

    ``path`` is a link, so that unplugging (link and terminal vanish) and replugging (a new terminal) can be played.
    """

    def __init__(self, path, *, rate_hz=100.0, line="{k} {k}\n", greeting=b"", answer=None):
        self.path = str(path)
        self.answer = answer  # called with the device and every command
        self.make_block = self.print_lines
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

    def print_lines(self, first, n):
        return "".join(self.line.format(k=k) for k in range(first, first + n)).encode("latin-1")

    def hear(self, data):
        self.received += data
        *commands, rest = bytes(self.received).split(b"\n")
        if self.answer is not None:
            self.received[:] = rest
            for command in filter(None, commands):
                self.answer(self, command)

    def _run(self):
        poll = select.poll()
        poll.register(self._master, select.POLLIN)
        greeted, started, sent = False, 0.0, 0
        while not self._stop.wait(0.002):
            event = dict(poll.poll(0)).get(self._master, 0)
            if event & select.POLLHUP:  # nobody has it open
                greeted = False
                continue
            if not greeted:
                self.received.clear()
                greeted, started, sent = True, time.monotonic() + 0.05, 0  # opening a port empties its buffers
                self.write_later = self.greeting
            if event & select.POLLIN:
                self.hear(os.read(self._master, 4096))
            if time.monotonic() < started:
                continue
            if self.write_later:
                self.write(self.write_later)
                self.write_later = b""
            due = int((time.monotonic() - started) * self.rate_hz)
            if self.talking and due > sent:
                self.write(self.make_block(self.sent, due - sent))
                self.sent += due - sent
            sent = due
