"""The ``serial:`` source: a port, or a port behind ``socket://`` or ``rfc2217://``. Moves bytes, nothing else."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable
from dataclasses import replace

import serial

from biofeedback.acquisition.described_source import NO_DATA_S, DescribedSource, read_description
from biofeedback.acquisition.identify import BoardInfo, adopt_info, ask_board
from biofeedback.acquisition.ports import (
    LOST,
    describe_ports,
    find_port,
    identify_port,
    is_radio_port,
    open_port,
    read_at_once,
)
from biofeedback.acquisition.profile import Profile
from biofeedback.acquisition.prompting import Prompt, read_key
from biofeedback.acquisition.source import SourceUrl
from biofeedback.acquisition.timeline import BURST_S
from biofeedback.errors import SourceError

READ_TIMEOUT_S = 0.05
BATCH_S = 0.0165  # 60.6 wake-ups a second: pages are drawn 60 times a second
LINE_S = 0.001  # let go of the processor even when this computer is behind
START_AGAIN_S = 0.5
STALE_S = 0.25  # no port is sure to keep more than that while nobody reads


class SerialSource(DescribedSource):
    """A port. A board whose profile has an ``info`` command is asked; its rate, channels and rails are then its own."""

    board_id: str = ""

    def __init__(
        self,
        target: str,
        profile: Profile,
        *,
        url: str,
        rate_hz: float | None = None,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        super().__init__(target, profile, url=url, rate_hz=rate_hz, clock=clock)
        self._sleep = sleep
        self._path = target
        self._identity: tuple[object, ...] | None = None  # of the port that was opened first
        self._answers: tuple[object, ...] | None = None  # of the one that is open now
        self._port: serial.Serial | None = None
        self._is_begun = False  # open, though the port may be lost: then it is tried again
        self._trying: threading.Thread | None = None
        self._opened_s: float | None = None  # until the first read
        self._next_read_s = 0.0
        self._alive_s = 0.0  # when the board last sent what it was told to send
        self._prompt = Prompt(0.0)  # of the port that is open now

    def connect(self) -> None:
        """Open the port, and nothing more."""
        self._open_port()

    def explain_nothing(self) -> str:
        """What to look at when no data come."""
        return f"check that the board is on and sends, and the baud rate (now {self.profile.baud})"

    @property
    def patience_s(self) -> float:
        """Networks and radios stall and then bring everything at once; cables do not."""
        return BURST_S if "://" in self.target or is_radio_port(self._path) else 0.0

    @property
    def device_id(self) -> str:
        """Who answers: what the board says of itself, else what its plug says; "" if nobody says."""
        if self.board_id or self._answers is None:
            return self.board_id
        return " ".join(str(part) for part in self._answers if part is not None)

    def open(self) -> None:
        """Open the port, ask the board, wait for the first frames, measure the rate if nobody says it.

        Raises
        ------
        SourceError
            Missing, busy or forbidden port; no answer; no data within 3 s; unreadable data; each with its cure.
        """
        self._open_port()
        try:
            if self.profile.info is not None:
                self._ask()
            self._start()
            self._wait_for_frames()
            self._is_begun = True
        except BaseException:
            self.close()
            raise
        self._opened_s = self._clock()

    def ask(self) -> BoardInfo:
        """Open the port and only ask who is there. SourceError if nobody answers within 3 s."""
        self._open_port()
        info = self._ask()
        self._write(self.profile.start or b"")  # it was stopped to be asked, and boards of ours talk by themselves
        if self._port is not None:
            with contextlib.suppress(*LOST):
                self._port.flush()  # before the port is closed
        return info

    def close(self) -> None:
        """Let go of the port."""
        self._is_begun = False
        self._let_go()

    def reopen(self) -> bool:
        """Try to open the port again, under its new name if the plug was put in elsewhere.

        Behind a network a try may take 5 s, so there it goes on beside, and the next call asks what came of it.
        """
        if "://" not in self.target:
            return self._open_again()
        if self._trying is None:
            self._trying = threading.Thread(target=self._open_again, name="reopen", daemon=True)
            self._trying.start()
        self._trying.join(READ_TIMEOUT_S)
        if self._trying.is_alive():
            return False
        self._trying = None
        return self._port is not None

    def _let_go(self) -> None:
        if self._port is not None:
            with contextlib.suppress(*LOST):
                self._port.close()
            self._port = None

    def _open_again(self) -> bool:
        self._let_go()
        self._waiting = b""
        self._path = find_port(self._identity) or self.target
        try:
            self._open_port()
            self._start()
        except SourceError:
            return False
        if not self._is_begun:  # closed meanwhile
            self._let_go()
        return self._port is not None

    def read(self) -> bytes:
        """Bytes of some 16 ms, b"" after 50 ms without any. What piled up before a late first read is left out."""
        if self._opened_s is not None and self._port is not None and self._clock() - self._opened_s > STALE_S:
            self._waiting = b""
            with contextlib.suppress(*LOST):  # a port that has gone is noticed by reading
                self._port.reset_input_buffer()
        self._opened_s = None
        data, self._waiting = self._waiting or self._read_batch(), b""
        if self.profile.start is not None:
            self._keep_started(data)
        if self.profile.key is not None and self._prompt.is_due(data, self._clock()):
            self._write(self.profile.key)
        return data

    def _lose(self, error: Exception) -> SourceError:
        self._let_go()
        then = "; recording continues by itself when the sensor is back" if self._is_begun else ", then try again"
        cure = f"check plug and cable{then}"
        return SourceError(f"{self.target} has gone ({error})", cure)

    def _read_batch(self) -> bytes:
        if self._port is None:
            raise SourceError(f"{self.target} is not open", "open it first")
        try:
            return self._read_port(self._port)
        except LOST as error:
            raise self._lose(error) from None

    def _read_port(self, port: serial.Serial) -> bytes:
        if port.timeout:  # a port behind a network does not say how much there is
            return read_at_once(port)
        # Without a time-out a read is one system call; waiting first costs half of waiting in it.
        started_s = self._clock()
        self._sleep(max(LINE_S, self._next_read_s - started_s))
        data = read_at_once(port)
        while not data and self._clock() - started_s < READ_TIMEOUT_S:
            self._sleep(BATCH_S)
            data = read_at_once(port)
        self._next_read_s = max(self._next_read_s, self._clock() - BATCH_S) + BATCH_S  # waking late adds up to nothing
        return data

    def _open_port(self) -> None:
        self._port = open_port(self._path, self.profile.baud, network_timeout_s=2 * BATCH_S)
        self._prompt = Prompt(self._clock())
        self._answers = identify_port(self._path) or self._answers
        self._identity = self._identity or self._answers

    def _write(self, data: bytes) -> None:
        if self._port is not None:
            try:
                self._port.write(data)
            except LOST as error:
                raise self._lose(error) from None

    def _start(self) -> None:
        """The line end frees the command from noise; asking for ``info`` too tells whether it is the same board."""
        self._alive_s = self._clock()
        if self.profile.start is not None:
            self._write(b"\n" + self.profile.start + (self.profile.info or b""))

    def _keep_started(self, data: bytes) -> None:
        """A board that was reset has forgotten the command and says nothing, or text instead of packets."""
        packets = self.profile.packets
        mark = (packets.sync or b"\0") if packets is not None else b"\n"
        if mark in data:
            self._alive_s = self._clock()
        elif self._clock() - self._alive_s > START_AGAIN_S:
            self._start()

    def _ask(self) -> BoardInfo:
        info = ask_board(self.profile, self._write, self._read_batch, clock=self._clock, wait_s=NO_DATA_S)
        if info is None:
            cure = (
                f"check the baud rate (now {self.profile.baud}), or describe the board: channels=, columns=, profile="
            )
            raise SourceError(f"{self.target} does not answer as a board of profile {self.profile.name}", cure)
        self.profile = adopt_info(self.profile, info)
        self.board_id = info.board_id
        self.description = f"{self.target}, board {info.board_id}, firmware {info.firmware}"
        return info


def open_serial(url: str, parsed: SourceUrl) -> SerialSource:
    """Source for a ``serial:`` URL."""
    parsed.check_known(("baud", "rate", "channels", "columns", "decimal", "pattern", "key", "profile"))
    if not parsed.target:
        raise SourceError("serial: does not name a port", f"write serial:PORT; {describe_ports()}")
    profile = read_description(parsed, "serial")
    key = read_key(parsed.options.get("key")) or profile.key
    profile = replace(profile, baud=round(parsed.number("baud") or profile.baud), key=key)
    return SerialSource(parsed.target, profile, url=url, rate_hz=parsed.number("rate"))
