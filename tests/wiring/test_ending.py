"""What ends a session from outside."""

from __future__ import annotations

import signal

import pytest

from biofeedback.wiring.live_sessions import ending_signals


@pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="a system whose terminals do not hang up")
@pytest.mark.parametrize(("now", "ends"), [(signal.SIG_DFL, True), (signal.SIG_IGN, False)])
def test_a_terminal_that_was_closed_ends_it_unless_it_was_told_to_outlive_that(
    now: signal.Handlers, ends: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(signal, "getsignal", lambda number: now)
    assert ending_signals() == [signal.SIGINT, signal.SIGTERM, *([signal.SIGHUP] if ends else [])]


def test_elsewhere_two_signals_end_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(signal, "SIGHUP", raising=False)
    assert ending_signals() == [signal.SIGINT, signal.SIGTERM]
