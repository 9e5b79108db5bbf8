"""Analyses of sessions whose truth is known, made once."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from biofeedback.analysis.answer import SessionAnalysis, analyse_recording

from ..analysis.made_session import MadeSession, make_check, make_settings


@pytest.fixture(scope="session")
def check() -> SessionAnalysis:
    """A response check in which contraction eases discomfort."""
    return analyse_recording(make_check())


@pytest.fixture(scope="session")
def troubled() -> SessionAnalysis:
    """Everything that can go wrong in one session: marks, a correction, no answer, gaps, a doubt, a stop."""
    session = MadeSession(settings=make_settings(fast=True, simulated=False))
    session.calibrate()
    session.happen("plan", title="Response check")
    session.phase("passive", 6.0, rating=6)
    session.phase("contract", 6.0, 110.0, rating=7)
    session.phase("passive", 6.0, rating=None)
    session.happen("rating", corrects=1, value=6.5, phase_index=0, by="coach")
    session.phase("contract", 3.0, 70.0, rating=9.5)
    session.lose(3.0)
    session.happen("stop", reason="cramp <b>", by="athlete")
    session.happen("phase", kind="end", index=3, reason="cramp")
    session.hold(2.0)
    return analyse_recording(session)


@pytest.fixture(scope="session")
def empty() -> SessionAnalysis:
    """A recording in which nothing was done."""
    session = MadeSession()
    session.hold(3.0)
    return analyse_recording(session)


@pytest.fixture(params=["check", "troubled", "empty"])
def any_analysis(request: pytest.FixtureRequest) -> SessionAnalysis:
    get: Callable[[str], SessionAnalysis] = request.getfixturevalue
    return get(request.param)
