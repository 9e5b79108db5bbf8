"""The ``serial:`` source: a port, or a port behind ``socket://`` or ``rfc2217://``. Moves bytes, nothing else."""

from __future__ import annotations

import contextlib
import errno
import os
import time
from collections.abc import Callable

import serial
from serial.tools import list_ports

from biofeedback.acquisition.decoder import BadLines, Decoded, Frames, LineDecoder, Text
from biofeedback.acquisition.reader import UNREADABLE_PERCENT, unreadable_trouble
from biofeedback.acquisition.sources import SourceUrl, read_channels, read_columns
from biofeedback.acquisition.timeline import RateMeter
from biofeedback.errors import SourceError
from biofeedback.model import Channel, Cue

_LOST: tuple[type[Exception], ...] = (OSError,)
with contextlib.suppress(ImportError):  # Windows has no termios; elsewhere its error is no OSError
    import termios

    _LOST = (OSError, termios.error)

BAUD = 115200
READ_TIMEOUT_S = 0.05
BATCH_S = 0.01  # at most 100 wake-ups a second
LINE_S = 0.003  # after the first byte: time for the rest of its line
NO_DATA_S = 3.0  # boards that reset when the port is opened need up to 2 s
MEASURE_S = 2.0
JUDGED_LINES = 20
COMMON_RATES_HZ = (10.0, 20.0, 25.0, 40.0, 50.0, 80.0, 100.0, 125.0, 200.0, 250.0, 320.0, 400.0, 500.0, 1000.0, 2000.0)
SAME_RATE_PERCENT = 1.5  # a rate measured over 2 s this near to a common one is that one


class SerialSource:
    """See ``Source``. ``rate_hz`` is 0 until ``open`` has measured it, unless it was given."""

    is_simulated = False
    starts_mid_line = True

    def __init__(
        self,
        target: str,
        *,
        url: str,
        channels: tuple[Channel, ...],
        columns: tuple[str, ...] | None = None,
        rate_hz: float | None = None,
        baud: int = BAUD,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.url, self.target, self.channels, self.columns = url, target, channels, columns
        self.rate_hz = rate_hz or 0.0
        self.description = target
        self._measure = rate_hz is None
        self._baud, self._clock, self._sleep = baud, clock, sleep
        self._is_socket = target.startswith("socket://")
        self._port: serial.Serial | None = None
        self._waiting = b""  # read while opening, handed out first
        self._last_read_s = 0.0

    def open(self) -> None:
        """Open the port, wait for the first frames, measure the rate if it was not given.

        Raises
        ------
        SourceError
            Missing, busy or forbidden port; no data within 3 s; unreadable data; each with its cure.
        """
        self._open_port()
        try:
            self._wait_for_frames()
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Let go of the port."""
        if self._port is not None:
            with contextlib.suppress(*_LOST):
                self._port.close()
            self._port = None

    def reopen(self) -> bool:
        """Try to open the port again; what it sends is judged by the decoder as ever."""
        self.close()
        self._waiting = b""
        try:
            self._open_port()
        except SourceError:
            return False
        return True

    def cue(self, cue: Cue) -> None:
        """A real athlete hears it by themselves."""

    def read(self) -> bytes:
        """Bytes of about 10 ms, b"" after 50 ms without any."""
        if self._waiting:
            data, self._waiting = self._waiting, b""
            return data
        if self._port is None:
            raise SourceError(f"{self.target} is not open", "open it first")
        try:
            return self._read_batch(self._port)
        except _LOST as error:
            self.close()
            cure = "check plug and cable; it goes on by itself when the sensor is back"
            raise SourceError(f"{self.target} has gone ({error})", cure) from None

    def _read_batch(self, port: serial.Serial) -> bytes:
        if self._is_socket:  # knows only whether there is something, so waits for its time-out
            return port.read(4096)
        first = port.read(1)
        if not first:
            return b""
        self._sleep(max(LINE_S, self._last_read_s + BATCH_S - self._clock()))
        self._last_read_s = self._clock()
        return first + port.read(port.in_waiting)

    def _open_port(self) -> None:
        try:
            port = serial.serial_for_url(self.target, do_not_open=True)
            port.baudrate = self._baud
            port.timeout = 2 * BATCH_S if self._is_socket else READ_TIMEOUT_S
            if "://" not in self.target and os.name == "posix":
                port.exclusive = True
            port.open()
        except ValueError as error:
            raise explain_open_error(self.target, error) from None
        except _LOST as error:
            raise explain_open_error(self.target, error) from None
        self._port = port

    def _wait_for_frames(self) -> None:
        """Until three frames have come (or the rate has been measured), or it is clear that they never will."""
        decoder = LineDecoder(len(self.channels), self.columns, starts_mid_line=True)
        started_s, received = self._clock(), bytearray()
        meter, n_frames, decoded = RateMeter(), 0, list[Decoded]()
        while n_frames < 3 or (self._measure and meter.span_s < MEASURE_S):
            data = self.read()
            received += data
            new = decoder.feed(data)
            decoded += new
            n_new = sum(len(piece.counts) for piece in new if isinstance(piece, Frames))
            if n_new:
                n_frames += n_new
                meter.add(n_new, self._clock())
            waited_s = self._clock() - started_s
            if waited_s > NO_DATA_S and not received:
                cure = f"check that the board is on and sends, and the baud rate (now {self._baud})"
                raise SourceError(f"no data from {self.target} within {NO_DATA_S:g} s", cure)
            if (n_frames < 3 and waited_s > NO_DATA_S) or decoder.n_bad_lines > JUDGED_LINES or len(received) > 1 << 20:
                self._judge(decoder, decoded, bytes(received))
            if waited_s > NO_DATA_S + 2 * MEASURE_S:
                raise SourceError(
                    f"{self.target} sends {n_frames} frames in {waited_s:.0f} s", "give its rate: rate=..."
                )
        if self._measure:
            self._take_rate(meter.rate_hz or 0.0)
        else:
            self._waiting = bytes(received)

    def _take_rate(self, measured_hz: float) -> None:
        self.rate_hz = measured_hz
        for rate_hz in COMMON_RATES_HZ:
            if abs(measured_hz / rate_hz - 1) * 100 <= SAME_RATE_PERCENT:
                self.rate_hz = rate_hz
        self.description = f"{self.target}, {self.rate_hz:.4g} Hz (measured {measured_hz:.4g} Hz)"

    def _judge(self, decoder: LineDecoder, decoded: list[Decoded], received: bytes) -> None:
        """What is wrong with what comes; nothing while half of the lines are good."""
        bad = [piece for piece in decoded if isinstance(piece, BadLines)]
        texts = [piece.text for piece in decoded if isinstance(piece, Text)]
        ragged = next((piece.reason for piece in bad if "expected" in piece.reason), None)
        n_judged = decoder.n_lines - len(texts)
        if n_judged and 100 * decoder.n_bad_lines / n_judged < UNREADABLE_PERCENT:
            return
        if ragged:
            example = _find_example(received)
            cure = f"a line is {example!r}: name each column, for example columns=seq,{self.channels[0].name},-"
            raise SourceError(f"{self.target} sends {ragged}", cure)
        if texts and not bad:
            raise SourceError(f"{self.target} sends only text: {texts[-1]!r}", "it may wait for a command to start")
        share = 100 * decoder.n_bad_lines / n_judged if n_judged else 100.0
        trouble, _, cure = unreadable_trouble(share).partition(": ")
        raise SourceError(f"{self.target}: {trouble}", f"{cure} (now {self._baud})")


def _find_example(received: bytes) -> str:
    lines = received.decode("ascii", "replace").splitlines()
    return lines[len(lines) // 2].strip()[:60] if lines else ""


def open_serial(url: str, parsed: SourceUrl) -> SerialSource:
    """Source for a ``serial:`` URL."""
    # A socket:// target may itself carry options; they are not ours to take.
    parsed.check_known(("baud", "rate", "channels", "columns"))
    if not parsed.target:
        raise SourceError("serial: names no port", f"write serial:PORT; {describe_ports()}")
    if "channels" not in parsed.options:
        raise SourceError(
            f"{parsed.target}: its channels are not declared",
            "add channels=, for example channels=force:N or channels=force:N,emg:uV",
        )
    channels = read_channels(parsed.options["channels"])
    return SerialSource(
        parsed.target,
        url=url,
        channels=channels,
        columns=read_columns(parsed.options.get("columns"), channels),
        rate_hz=parsed.number("rate"),
        baud=round(parsed.number("baud") or BAUD),
    )


def describe_ports() -> str:
    """The ports there are, in words."""
    names = [port.device for port in list_ports.comports()]
    return f"the ports here are {', '.join(names)}" if names else "no port is here now"


def explain_open_error(target: str, error: Exception) -> SourceError:
    """What stands in the way of opening ``target``, and its cure."""
    number = getattr(error, "errno", None)
    if isinstance(error, ValueError) and "://" in target:
        return SourceError(f"{target} cannot be understood: {error}", "write socket://HOST:PORT or rfc2217://HOST:PORT")
    if "://" in target:
        return SourceError(f"{target} does not answer: {error}", "check address, port number and network")
    if number in (errno.ENOENT, errno.ENXIO, errno.ENODEV) or isinstance(error, FileNotFoundError):
        return SourceError(f"there is no port {target}", f"{describe_ports()}; check plug and cable")
    if number in (errno.EACCES, errno.EPERM):
        cure = "add yourself to its group: sudo usermod -aG dialout $USER, then log in again"
        return SourceError(f"no permission for {target}", cure)
    if number in (errno.EBUSY, errno.EAGAIN) or "exclusively lock" in str(error):
        return SourceError(f"{target} is in use by another program", "close that program, for example a serial monitor")
    return SourceError(f"{target} cannot be opened: {error}", describe_ports())
