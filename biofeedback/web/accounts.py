"""Which account of this computer a connection on loopback comes from: the page is for whoever runs the program.

Linux says it. Where nobody does, `own_browser` asks for a key instead.
"""

from __future__ import annotations

import errno
import os
import socket
import struct
import sys
from functools import lru_cache
from pathlib import Path

TABLES = {socket.AF_INET: Path("/proc/net/tcp"), socket.AF_INET6: Path("/proc/net/tcp6")}
SOCK_DIAG, SOCK_DIAG_BY_FAMILY, REQUEST, ANY = 4, 20, 1, 0xFFFFFFFF  # linux/netlink.h, linux/sock_diag.h
ROOT = 0  # may do anything here in any case

Address = tuple[str, int | None] | None


@lru_cache(maxsize=1)
def tells_accounts() -> bool:
    """Whether this system says which account is at the other end, tried out on a connection of our own."""
    if sys.platform != "linux":
        return False
    try:
        with (
            socket.create_server(("127.0.0.1", 0)) as listening,
            socket.create_connection(listening.getsockname(), timeout=1.0) as client,
        ):
            return find_owner(client.getsockname(), listening.getsockname()) == os.getuid()
    except OSError:
        return False


def is_own_account(client: Address, server: Address) -> bool:
    """Whether the program at the other end of a loopback connection runs under our account, or may do anything.

    Where the system says nothing ever, nobody is turned away here; where it says nothing this once, it is.
    """
    if not tells_accounts():
        return True
    if client is None or server is None or client[1] is None or server[1] is None:
        return False
    return find_owner((client[0], client[1]), (server[0], server[1])) in (os.getuid(), ROOT)


def find_owner(client: tuple[str, int], server: tuple[str, int]) -> int | None:
    """The account that holds the client's end; None where the system does not say, -1 where there is no such end."""
    try:
        return _ask_kernel(client, server)
    except (OSError, struct.error):
        return _look_up(client, server)


def _ask_kernel(client: tuple[str, int], server: tuple[str, int]) -> int:
    """One question about exactly these ends instead of a list of all: sock_diag(7), inet_diag_req_v2."""
    family = _family(client)
    ports = struct.pack("!HH", client[1], server[1])
    ends = b"".join(socket.inet_pton(family, end[0]).ljust(16, b"\0") for end in (client, server))
    wanted = (
        struct.pack("=BBBBI", family, socket.IPPROTO_TCP, 0, 0, ANY) + ports + ends + struct.pack("=III", 0, ANY, ANY)
    )
    with socket.socket(socket.AF_NETLINK, socket.SOCK_RAW, SOCK_DIAG) as kernel:
        kernel.settimeout(1.0)
        kernel.send(struct.pack("=IHHII", 16 + len(wanted), SOCK_DIAG_BY_FAMILY, REQUEST, 1, 0) + wanted)
        answer = kernel.recv(4096)
    kind = struct.unpack_from("=H", answer, 4)[0]
    if kind == SOCK_DIAG_BY_FAMILY:
        return int(struct.unpack_from("=I", answer, 16 + 4 + 48 + 12)[0])  # inet_diag_msg.idiag_uid
    number = -struct.unpack_from("=i", answer, 16)[0]
    if number == errno.ENOENT:
        return -1
    raise OSError(number, "the kernel does not say")


def _look_up(client: tuple[str, int], server: tuple[str, int]) -> int | None:
    ends = [write_end(client), write_end(server)]
    try:
        lines = TABLES[_family(client)].read_text("ascii").splitlines()
    except OSError:
        return None
    for line in lines[1:]:
        fields = line.split()
        if fields[1:3] == ends:
            return int(fields[7])
    return -1


def write_end(end: tuple[str, int]) -> str:
    """As the table writes an address and port: words of 32 bits in the machine's own order, in hexadecimal."""
    packed = socket.inet_pton(_family(end), end[0])
    words = struct.unpack(f"={len(packed) // 4}I", packed)
    return "".join(f"{word:08X}" for word in words) + f":{end[1]:04X}"


def _family(end: tuple[str, int]) -> socket.AddressFamily:
    return socket.AF_INET6 if ":" in end[0] else socket.AF_INET
