"""The reference firmware, compiled and run in an AVR simulator as a board on a pseudo-terminal."""

import contextlib
import re
import shutil
import subprocess
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from ..requirements import need
from .simulated_board import Board, Listener, Wire

HERE = Path(__file__).parent
NOTES = HERE.parents[1] / "firmware-notes"


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


def compile_firmware(source, elf, *options):
    command = ["avr-gcc", "-mmcu=atmega328p", "-Os", "-std=gnu11", "-Wall", "-Wextra", "-Werror", *options]
    subprocess.run([*command, "-o", str(elf), str(source)], check=True)
    return elf


@pytest.fixture(scope="session")
def elf(tmp_path_factory):
    need(not find_missing_tools(), f"not installed: {', '.join(find_missing_tools())}")
    return compile_firmware(NOTES / "board" / "board.c", tmp_path_factory.mktemp("firmware") / "board.elf")


@pytest.fixture(scope="session")
def simulator(tmp_path_factory):
    need(not find_missing_tools(), f"not installed: {', '.join(find_missing_tools())}")
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
    need(shutil.which("avr-g++") and CORE.exists(), "not installed: arduino-core-avr")
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


@pytest.fixture
def listen_to():
    """``listen_to(board)``: an opened Listener, closed at the end."""
    with contextlib.ExitStack() as stack:

        def make(board, url=None, **options):
            listener = Listener(board, url, **options)
            stack.callback(listener.source.close)
            return listener

        yield make
