"""What the kernel is asked about a connection and how its answers are understood, without a kernel."""

from __future__ import annotations

import errno
import os
import socket
import struct
import sys
from pathlib import Path
from typing import Any

import pytest

from biofeedback.web import accounts

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="only Linux tells")

CLIENT, SERVER = ("127.0.0.1", 40000), ("127.0.0.1", 8765)
CLIENT_6, SERVER_6 = ("::1", 40000), ("::1", 8765)


class FakeKernel:
    """Stands in for a socket of the kernel's: keeps what it is asked, gives the answer it was made with."""

    def __init__(self, answer: bytes | OSError) -> None:
        self.answer, self.asked, self.timeout_s = answer, b"", 0.0

    def __call__(self, *kind: int) -> FakeKernel:
        assert kind == (socket.AF_NETLINK, socket.SOCK_RAW, 4)  # NETLINK_SOCK_DIAG, linux/netlink.h
        return self

    def __enter__(self) -> FakeKernel:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def settimeout(self, seconds: float) -> None:
        self.timeout_s = seconds

    def send(self, question: bytes) -> None:
        self.asked = question

    def recv(self, n_bytes: int) -> bytes:
        assert n_bytes >= 16 + 72
        assert 0 < self.timeout_s < 10  # or the page would stand still with a kernel that does not answer
        if isinstance(self.answer, OSError):
            raise self.answer
        return self.answer


def tell_user(uid: int) -> bytes:
    """nlmsghdr of kind 20, then inet_diag_msg: 4 bytes, an id of 48, three numbers, uid, inode (linux/inet_diag.h)."""
    return struct.pack("=IHHII", 88, 20, 0, 0, 0) + bytes(4 + 48) + struct.pack("=IIIII", 1, 2, 3, uid, 5)


def tell_error(number: int) -> bytes:
    """nlmsghdr of kind 2 (NLMSG_ERROR), then nlmsgerr: the number below zero (netlink(7))."""
    return struct.pack("=IHHII", 36, 2, 0, 0, 0) + struct.pack("=i", -number) + bytes(16)


def test_only_where_there_is_no_such_end_nobody_holds_it(monkeypatch: pytest.MonkeyPatch) -> None:
    for answer, uid in (
        (tell_user(1000), 1000),
        (tell_user(0), 0),
        (tell_user(2**32 - 2), 2**32 - 2),
        (tell_error(errno.ENOENT), -1),
    ):
        monkeypatch.setattr(socket, "socket", FakeKernel(answer))
        assert accounts._ask_kernel(CLIENT, SERVER) == uid
    for failing, number in (
        (tell_error(errno.EPERM), errno.EPERM),
        (tell_error(errno.ESRCH), errno.ESRCH),
        (OSError(errno.EAGAIN, "timed out"), errno.EAGAIN),
    ):
        monkeypatch.setattr(socket, "socket", FakeKernel(failing))
        with pytest.raises(OSError, match=r"the kernel does not say|timed out") as failed:
            accounts._ask_kernel(CLIENT, SERVER)
        assert failed.value.errno == number


@pytest.mark.parametrize(("client", "server", "family"), [(CLIENT, SERVER, 2), (CLIENT_6, SERVER_6, 10)])
def test_the_question_is_about_exactly_these_two_ends(
    monkeypatch: pytest.MonkeyPatch, client: tuple[str, int], server: tuple[str, int], family: int
) -> None:
    """inet_diag_req_v2 with inet_diag_sockid, by hand (sock_diag(7)); addresses fill 16 bytes, ports as on the wire."""
    kernel = FakeKernel(tell_user(7))
    monkeypatch.setattr(socket, "socket", kernel)
    assert accounts.find_owner(client, server) == 7
    loopback = b"\x7f\0\0\1" + bytes(12) if family == 2 else bytes(15) + b"\1"
    header = struct.pack("=IHH", 72, 20, 1)  # its own length with it, SOCK_DIAG_BY_FAMILY, NLM_F_REQUEST
    about = bytes([family, 6, 0, 0]) + b"\xff" * 4  # TCP, in whatever state
    any_device_and_cookie = bytes(4) + b"\xff" * 8
    assert kernel.asked[:8] == header  # then a number of the question, any, and who asks: the kernel fills that in
    assert kernel.asked[12:] == bytes(4) + about + b"\x9c\x40\x22\x3d" + loopback * 2 + any_device_and_cookie


TABLE = """\
  sl  local_address rem_address   st tx_queue rx_queue tr tm->when retrnsmt   uid  timeout inode
   0: 0100007F:9C40 0100007F:1F90 01 00000000:00000000 00:00000000 00000000  1001        0 1 1
   1: 0100007F:223D 0100007F:9C40 01 00000000:00000000 00:00000000 00000000  1002        0 2 1
   2: 0100007F:9C40 0100007F:223D 01 00000000:00000000 00:00000000 00000000  1003        0 3 1
   3: 0100007F:9C40 0100007F:223D 06 00000000:00000000 00:00000000 00000000  1004        0 4 1
"""


@pytest.mark.skipif(sys.byteorder != "little", reason="the table is written as such machines write it")
def test_a_kernel_that_answers_no_questions_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The layout of /proc/net/tcp: proc_net_tcp of the kernel's documentation."""
    monkeypatch.setitem(accounts.TABLES, socket.AF_INET, tmp_path / "tcp")
    monkeypatch.setitem(accounts.TABLES, socket.AF_INET6, tmp_path / "tcp6")
    for answer in (tell_error(errno.EPERM), OSError(errno.EPERM, "no"), b"cut", bytes(17)):
        monkeypatch.setattr(socket, "socket", FakeKernel(answer))
        (tmp_path / "tcp").write_text(TABLE)
        assert accounts.find_owner(CLIENT, SERVER) == 1003
        assert accounts.find_owner(SERVER, CLIENT) == 1002
        assert accounts.find_owner(CLIENT, ("127.0.0.1", 8766)) == -1
        assert accounts.find_owner(CLIENT_6, SERVER_6) is None  # no such table
        (tmp_path / "tcp").write_text(TABLE.splitlines()[0])
        assert accounts.find_owner(CLIENT, SERVER) == -1


@pytest.mark.parametrize(
    ("client", "server", "owner", "is_own"),
    [
        (CLIENT, SERVER, os.getuid(), True),
        (CLIENT, SERVER, 0, True),
        (CLIENT, SERVER, os.getuid() + 1, False),
        (CLIENT, SERVER, -1, False),
        (CLIENT, SERVER, None, False),
        (None, SERVER, 0, False),
        (CLIENT, None, 0, False),
        (("127.0.0.1", None), SERVER, 0, False),
        (CLIENT, ("127.0.0.1", None), 0, False),
    ],
)
def test_our_own_account_and_the_one_that_may_anything(
    monkeypatch: pytest.MonkeyPatch, client: Any, server: Any, owner: int | None, is_own: bool
) -> None:
    asked: list[Any] = []

    def find_owner(*ends: Any) -> int | None:
        asked.append(ends)
        return owner

    monkeypatch.setattr(accounts, "tells_accounts", lambda: True)
    monkeypatch.setattr(accounts, "find_owner", find_owner)
    assert accounts.is_own_account(client, server) is is_own
    assert asked in ([], [(client, server)])
