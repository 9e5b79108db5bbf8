"""The simulator as a board: faults on request, its wire for tests, and the tool's own source listening to it."""

import contextlib
import json
import os
import selectors
import subprocess
import termios
import time

import numpy as np

from biofeedback.acquisition.reader import Reader
from biofeedback.acquisition.sources import open_source
from biofeedback.model import Chunk

CHANNELS = (
    "emg_1:mV*4.8828125@0..1023,emg_2:mV*4.8828125@0..1023,force:N*0.001@-8388608..8388607"
    "&columns=seq,t_us,emg_1,emg_2,force,check"
)
MILLIVOLT_PER_COUNT = 5000 / 1023  # of the simulator; the chip divides by 1024
SINES = ((1.1, 2500, 2000), (2.3, 2000, 900))  # Hz, offset and amplitude in mV
RAMP_PER_S = 1e4


def make_wave(duration_s=10.0, rate_hz=1000.0):
    """Two slow sines in mV and a ramp that tells the time: 10000 load-cell counts a second."""
    t = np.arange(round(duration_s * rate_hz)) / rate_hz
    sines = [offset + amplitude * np.sin(2 * np.pi * hz * t) for hz, offset, amplitude in SINES]
    return np.stack([*sines, RAMP_PER_S * t], 1)


class Board:
    """A running simulator. ``path`` stays the same over unplugging, as a named port does."""

    def __init__(self, program, elf, folder, *, wave=None, wave_hz=1000.0, speed=1.0, bridge=4096, boot_ms=300):
        self.path = folder / "board"
        rows = np.zeros((1, 3)) if wave is None else np.asarray(wave)
        rows.astype("<f4").tofile(folder / "wave.f32")
        arguments = [program, elf, folder / "wave.f32", wave_hz, speed, bridge, boot_ms]
        self._process = subprocess.Popen(
            [str(argument) for argument in arguments], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        self._link()

    def _link(self):
        port = self._hear("PORT")
        with contextlib.suppress(FileNotFoundError):
            self.path.unlink()
        self.path.symlink_to(port)

    def _hear(self, word):
        line = self._process.stdout.readline()
        assert line.startswith(word), line
        return line[len(word) :].strip()

    def tell(self, command, answer=None):
        """One command to the simulator; the rest of the line that begins with ``answer``."""
        self._process.stdin.write(command + "\n")
        self._process.stdin.flush()
        return self._hear(answer) if answer else None

    def unplug(self):
        self.tell("unplug", "OK unplug")
        self.path.unlink()

    def replug(self):
        self.tell("replug")
        self._link()

    @property
    def stats(self):
        return json.loads(self.tell("stats", "STATS"))

    def time_s(self):
        """Device time. Time-outs measured by it do not depend on how busy this machine is."""
        return self.stats["device_s"]

    @property
    def url(self):
        return f"serial:{self.path}?baud=500000&rate=1000&channels={CHANNELS}"

    def quit(self):
        with contextlib.suppress(BrokenPipeError):
            self.tell("quit")
        self._process.communicate(timeout=60)


class Wire:
    """Bytes to and from the board, as a terminal program has them."""

    def __init__(self, board):
        self._board = board
        self._file = os.open(board.path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        settings = termios.tcgetattr(self._file)
        settings[4] = settings[5] = termios.B500000
        termios.tcsetattr(self._file, termios.TCSANOW, settings)
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._file, selectors.EVENT_READ)
        self.received = bytearray()

    def write(self, data):
        os.write(self._file, data)

    def read(self):
        if self._selector.select(0.05):
            self.received += os.read(self._file, 1 << 16)

    def read_until(self, condition, *, timeout_s=90.0):
        """Read until ``condition(received)`` holds."""
        give_up_s = time.monotonic() + timeout_s
        while not condition(self.received):
            assert time.monotonic() < give_up_s, bytes(self.received[-200:])
            self.read()
        return bytes(self.received)

    def close(self):
        self._selector.close()
        os.close(self._file)


class Listener:
    """The real source and reader on a board; keeps items and bytes (or only what is no chunk).

    Time is the board's. A board that runs many times faster than life is ahead of what a busy machine has handed
    over, which would look like silence: with ``in_step`` time is that of the frames that came.
    """

    def __init__(self, board, url=None, *, keep=True, in_step=False):
        self.source = open_source(url or board.url)
        self.items, self.received = [], bytearray()
        read = self.source.read

        def read_and_keep():
            data = read()
            if keep:
                self.received += data
            return data

        self.source.open()
        self.source.read = read_and_keep
        self.reader = None
        self._clock = self._frames_s if in_step else board.time_s
        self.reader = Reader(self.source, clock=self._clock)
        self._keep = keep

    def _frames_s(self):
        return self.reader.timeline.next_frame / self.source.rate_hz if self.reader else 0.0

    def listen(self, condition, *, timeout_s=30.0):
        """Read items until ``condition()`` holds; seconds of device time that it took."""
        started_s, give_up_s = self._clock(), time.monotonic() + timeout_s
        while not condition():
            assert time.monotonic() < give_up_s, (self.items[-3:], bytes(self.received[-200:]))
            self.items += [item for item in self.reader.read() if self._keep or not isinstance(item, Chunk)]
        return self._clock() - started_s

    def listen_frames(self, n_frames, **options):
        """Read until ``n_frames`` more frames (gaps included) are on the timeline."""
        end = self.reader.timeline.next_frame + n_frames
        return self.listen(lambda: self.reader.timeline.next_frame >= end, **options)

    def of(self, kind):
        return [item for item in self.items if isinstance(item, kind)]
