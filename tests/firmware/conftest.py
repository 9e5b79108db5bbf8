"""The reference firmware, compiled and run in an AVR simulator as a board on a pseudo-terminal."""

import contextlib
import json
import os
import re
import selectors
import shutil
import subprocess
import termios
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest

from biofeedback.acquisition.reader import Reader
from biofeedback.acquisition.sources import open_source
from biofeedback.model import Chunk

HERE = Path(__file__).parent
NOTES = HERE.parents[1] / "firmware-notes"
CHANNELS = (
    "emg_1:mV*4.8828125@0..1023,emg_2:mV*4.8828125@0..1023,force:N*0.001@-8388608..8388607"
    "&columns=seq,t_us,emg_1,emg_2,force,check"
)


CORE = Path("/usr/share/arduino/hardware/arduino/avr/cores/arduino")
FLAGS = ["-mmcu=atmega328p", "-Os", "-ffunction-sections", "-fdata-sections", "-w"]
FLAGS += ["-DF_CPU=16000000L", "-DARDUINO=10819", "-DARDUINO_AVR_UNO", "-DARDUINO_ARCH_AVR", f"-I{CORE}"]
FLAGS += [f"-I{CORE.parents[1]}/variants/standard"]
# The core's C++ needs DECIMAL_DIG, which the compiler's header hides from it.
CXX_FLAGS = ["-std=gnu++11", "-fno-exceptions", "-fno-threadsafe-statics", "-DDECIMAL_DIG=__DECIMAL_DIG__"]


def find_missing_tools():
    missing = [tool for tool in ("avr-gcc", "gcc") if not shutil.which(tool)]
    if not Path("/usr/include/simavr/sim_avr.h").exists():
        missing.append("libsimavr")
    if not Path("/usr/lib/avr/include/avr/io.h").exists():
        missing.append("avr-libc")
    return missing


def pytest_collection_modifyitems(items):
    missing = find_missing_tools()
    for item in items:
        if missing and item.get_closest_marker("toolchain"):
            item.add_marker(pytest.mark.skip(reason=f"not installed: {', '.join(missing)}"))


def compile_firmware(source, elf, *options):
    command = ["avr-gcc", "-mmcu=atmega328p", "-Os", "-std=gnu11", "-Wall", "-Wextra", "-Werror", *options]
    subprocess.run([*command, "-o", str(elf), str(source)], check=True)
    return elf


@pytest.fixture(scope="session")
def elf(tmp_path_factory):
    return compile_firmware(NOTES / "board" / "board.c", tmp_path_factory.mktemp("firmware") / "board.elf")


@pytest.fixture(scope="session")
def simulator(tmp_path_factory):
    program = tmp_path_factory.mktemp("simulator") / "board_simulator"
    command = ["gcc", "-O2", "-Wall", "-Wextra", "-Werror", "-o", str(program), str(HERE / "board_simulator.c")]
    subprocess.run([*command, "-lsimavr", "-lm"], check=True)
    return program


def compile_one(source, target):
    extra = CXX_FLAGS if source.suffix == ".cpp" else ["-std=gnu11"] if source.suffix == ".c" else []
    compiler = "avr-g++" if source.suffix == ".cpp" else "avr-gcc"
    subprocess.run([compiler, *FLAGS, *extra, "-c", str(source), "-o", str(target)], check=True)
    return str(target)


@pytest.fixture(scope="session")
def sketch_elf(tmp_path_factory):
    if not CORE.exists():
        pytest.skip("not installed: arduino-core-avr")
    folder = tmp_path_factory.mktemp("sketch")
    text = (NOTES / "sketch" / "sketch.ino").read_text()
    prototypes = re.findall(r"^(\w[\w ]* \*?\w+\([^;{}]*\)) \{", text, re.MULTILINE)  # as the editor does
    main = folder / "sketch.cpp"
    main.write_text("#include <Arduino.h>\n" + "".join(f"{prototype};\n" for prototype in prototypes) + text)
    sources = [main, *(path for path in CORE.iterdir() if path.suffix in (".c", ".cpp", ".S"))]
    with ThreadPoolExecutor(2) as pool:
        objects = list(pool.map(lambda s: compile_one(s, folder / f"{s.name}.o"), sources))
    elf = folder / "sketch.elf"
    subprocess.run(["avr-gcc", *FLAGS, "-Wl,--gc-sections", "-o", str(elf), *objects, "-lm"], check=True)
    return elf


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
        self._process.communicate(timeout=10)


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

    def read_until(self, condition, *, timeout_s=20.0):
        """Read until ``condition(received)`` holds."""
        give_up_s = time.monotonic() + timeout_s
        while not condition(self.received):
            assert time.monotonic() < give_up_s, bytes(self.received[-200:])
            self.read()
        return bytes(self.received)

    def close(self):
        self._selector.close()
        os.close(self._file)


@pytest.fixture
def make_board(simulator, elf, tmp_path):
    """``make_board(**options)``: a running board, quit at the end."""
    with contextlib.ExitStack() as stack:

        def make(**options):
            board = Board(simulator, options.pop("elf", elf), tmp_path, **options)
            stack.callback(board.quit)
            return board

        yield make


@pytest.fixture
def open_wire():
    """``open_wire(board)``: its bytes without any of our code between."""
    with contextlib.ExitStack() as stack:

        def make(board):
            wire = Wire(board)
            stack.callback(wire.close)
            return wire

        yield make


class Listener:
    """The real source and reader on a board; keeps items and bytes (or only what is no chunk)."""

    def __init__(self, board, url=None, *, keep=True):
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
        self.reader = Reader(self.source, clock=board.time_s)
        self._clock = board.time_s
        self._keep = keep

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


@pytest.fixture
def listen_to():
    """``listen_to(board)``: an opened Listener, closed at the end."""
    with contextlib.ExitStack() as stack:

        def make(board, url=None, **options):
            listener = Listener(board, url, **options)
            stack.callback(listener.source.close)
            return listener

        yield make
