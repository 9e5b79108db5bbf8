"""The ``udp:`` source: a board on the network that sends its lines, or packets, to a port of this computer.

Nothing is sent to the board. Whoever sends first is taken, by its address; what others send is told and left out. One
that comes back under another address, after the first has been silent for long, takes its place and counts as another
device.
"""

from __future__ import annotations

import contextlib
import socket
import time

from biofeedback.acquisition.described_source import DescribedSource, read_description
from biofeedback.acquisition.profile import Profile
from biofeedback.acquisition.source import SourceUrl
from biofeedback.acquisition.timeline import BURST_S
from biofeedback.errors import SourceError

BATCH_S = 0.0165  # pages are drawn 60 times a second
READ_TIMEOUT_S = 0.05
MOST_BYTES = 65536  # of one datagram; UDP has no longer ones
BUFFER_BYTES = 1 << 20  # asked of the system: what comes while this computer is busy waits there
STALE_S = 0.25
SUCCEEDS_S = 10.0  # of silence, after which another sender may be the same board under another address
OTHER_TOLD_S = 10.0  # how long a sender that is left out is shown
EXAMPLE = "for example udp:4210?channels=force:N, or udp:192.168.1.5:4210?profile=wifi-lines"


class UdpSource(DescribedSource):
    """Datagrams of whole lines; ``sender`` takes those of one address only."""

    device_id: str = ""  # address of the sender that is taken

    def __init__(
        self, host: str, port: int, profile: Profile, *, url: str, rate_hz: float | None = None, sender: str = ""
    ) -> None:
        super().__init__(f"UDP port {port}", profile, url=url, rate_hz=rate_hz)
        self.host, self.port, self.sender = host, port, sender
        self._socket: socket.socket | None = None
        self._heard_s = 0.0
        self._other, self._other_s = "", -OTHER_TOLD_S
        self._next_read_s = 0.0
        self._opened_s: float | None = None  # until the first read

    @property
    def patience_s(self) -> float:
        """A wireless network stalls and then brings everything at once."""
        return BURST_S

    @property
    def trouble(self) -> str:
        """A second sender, while it sends."""
        if self._clock() - self._other_s > OTHER_TOLD_S:
            return ""
        return (
            f"{self._other} sends to {self.target} too; only {self.device_id} is taken: give each board its own port, "
            f"or write from={self._other}"
        )

    def explain_nothing(self) -> str:
        """What to look at when no data come."""
        told = f"from {self._other}, which is not {self.sender}" if self._other else "at all"
        where = f"{self.host or find_own_address()}, port {self.port}"
        return f"nothing came {told}: let the board send to {where}, in the same network, and let a firewall pass it"

    def connect(self) -> None:
        """Listen, and nothing more."""
        try:
            family = socket.AF_INET6 if ":" in self.host else socket.AF_INET
            self._socket = socket.socket(family, socket.SOCK_DGRAM)
            with contextlib.suppress(OSError):  # what it gives is enough
                self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, BUFFER_BYTES)
            self._socket.bind((self.host, self.port))
            self._socket.settimeout(READ_TIMEOUT_S)
        except OSError as error:
            self.close()
            cure = "close the program that listens there, or let the board send to another port"
            raise SourceError(f"{self.target} cannot be used: {error.strerror or error}", cure) from None

    def open(self) -> None:
        """Listen, wait for the first frames, measure the rate if nobody says it. SourceError with its cure."""
        self.connect()
        try:
            self._wait_for_frames()
        except BaseException:
            self.close()
            raise
        self.description = f"board at {self.device_id}, {self.target}"
        self._opened_s = self._clock()

    def close(self) -> None:
        """Let go of the port."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def read(self) -> bytes:
        """Whole datagrams of some 16 ms, each ended as a line; b"" after 50 ms without any.

        What piled up before a late first read is left out.
        """
        if self._opened_s is not None and self._clock() - self._opened_s > STALE_S:
            self._waiting = b""
            self._read_batch()
        self._opened_s = None
        data, self._waiting = self._waiting or self._read_batch(), b""
        return data

    def _read_batch(self) -> bytes:
        if self._socket is None:
            raise SourceError(f"{self.target} is not open", "open it first")
        time.sleep(max(0.0, self._next_read_s - self._clock()))
        self._next_read_s = self._clock() + BATCH_S
        parts: list[bytes] = []
        try:
            self._take(*self._socket.recvfrom(MOST_BYTES), parts)
            self._socket.settimeout(0.0)
            while len(parts) < MOST_BYTES:
                self._take(*self._socket.recvfrom(MOST_BYTES), parts)
        except (TimeoutError, BlockingIOError):
            pass
        except ConnectionResetError:  # Windows: somebody answered one of ours, though nothing was sent
            pass
        except OSError as error:
            raise SourceError(f"{self.target} has gone ({error})", "check the network of this computer") from None
        finally:
            if self._socket is not None:
                self._socket.settimeout(READ_TIMEOUT_S)
        return b"".join(parts)

    def _take(self, data: bytes, address: tuple[str, int], parts: list[bytes]) -> None:
        sender, now_s = address[0], self._clock()
        if not self._is_taken(sender, now_s):
            self._other, self._other_s = sender, now_s
            return
        self.device_id, self._heard_s = sender, now_s
        parts.append(data)
        if self.profile.packets is None and not data.endswith((b"\n", b"\r")):
            parts.append(b"\n")

    def _is_taken(self, sender: str, now_s: float) -> bool:
        if self.sender:
            return sender == self.sender
        return self.device_id in ("", sender) or now_s - self._heard_s > SUCCEEDS_S


def find_own_address() -> str:
    """This computer's address in its network, as far as it is known without asking anybody."""
    with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.connect(("192.0.2.1", 9))  # documentation address (RFC 5737): chooses a way out, sends nothing
        return str(probe.getsockname()[0])
    return "this computer's address"


def open_udp(url: str, parsed: SourceUrl) -> UdpSource:
    """Source for a ``udp:`` URL: ``udp:PORT`` or ``udp:OWN-ADDRESS:PORT``, perhaps with ``from=SENDER``."""
    parsed.check_known(("rate", "channels", "columns", "decimal", "pattern", "profile", "from"))
    host, _, port_text = parsed.target.rpartition(":")
    if not (port_text.isascii() and port_text.isdigit() and 0 < int(port_text) < 65536):
        raise SourceError(f"udp:{parsed.target} does not name a port from 1 to 65535", EXAMPLE)
    profile = read_description(parsed, "udp")
    return UdpSource(
        host.strip("[]"),
        int(port_text),
        profile,
        url=url,
        rate_hz=parsed.number("rate"),
        sender=parsed.options.get("from", ""),
    )
