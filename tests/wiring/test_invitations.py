"""Codes on the terminal: each under its athlete's, beside each other where there is room, and how long they last."""

from __future__ import annotations

import io
import os
import shutil
import sys

import pytest

from biofeedback.web.qr import draw_qr, encode_qr
from biofeedback.web.sharing import Invitation
from biofeedback.wiring.invitations import lay_out, print_invitations


def invite(seat: int) -> Invitation:
    url = f"http://192.0.2.1:8765/pair#ABCDEFG{seat}"
    return Invitation("athlete", seat, f"A0{seat}", f"ABCDEFG{seat}", url, 600.0)


@pytest.mark.parametrize(("n_columns", "rows"), [(80, "12 3"), (77, "12 3"), (76, "1 2 3"), (9, "1 2 3"), (117, "123")])
def test_as_many_codes_stand_beside_each_other_as_there_is_room_for(n_columns: int, rows: str) -> None:
    """A code of a usual address is 37 characters wide with its margin, and 3 stand between two of them."""
    invitations = [invite(seat) for seat in (1, 2, 3)]
    codes = {str(each.seat): draw_qr(encode_qr(each.url)).splitlines() for each in invitations}
    *lines, last = lay_out(invitations, n_columns=n_columns).splitlines()
    expected: list[str] = []
    for row in rows.split():
        blocks = [[f"A0{seat}'s phone", *codes[seat], invitations[int(seat) - 1].url] for seat in row]
        expected += ["   ".join(part.ljust(37) for part in parts).rstrip() for parts in zip(*blocks, strict=True)]
    assert lines == expected
    assert last.startswith("Each athlete's own phone joins at their own seat, once, within 10 minutes")


def test_a_single_code_is_the_athletes() -> None:
    last = lay_out([invite(1)], n_columns=80).splitlines()[-1]
    assert last == "The athlete's phone joins once, within 10 minutes; the coach's page makes new codes."


def test_codes_are_there_at_once_and_as_wide_as_the_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    class Shown(io.StringIO):
        n_flushed = 0

        def flush(self) -> None:
            self.n_flushed += 1

    shown = Shown()
    monkeypatch.setattr(sys, "stdout", shown)
    monkeypatch.setattr(shutil, "get_terminal_size", lambda: os.terminal_size((117, 24)))
    invitations = [invite(seat) for seat in (1, 2, 3)]
    print_invitations(invitations)
    assert shown.getvalue() == lay_out(invitations, n_columns=117) + "\n"
    assert shown.n_flushed
