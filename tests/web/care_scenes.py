"""What is asked around a maximum and a plan, as a real session tells it: each scene is an engine brought there."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from biofeedback.session.plan import load_plan
from biofeedback.session.setup import GRADED
from biofeedback.session.view import describe_session

from ..session.conftest import Bench
from .fake_live import ANSWER, FakeLive

LAST_UTC = "2026-01-05T18:00:00+00:00"
PLANS = ("half-check", "short-check", "contract-relax", "felt-check", "hard-hold")
LEVEL_KEYS = ("level_rate_hz", "simulated", "software")  # of the page's own session


def _bench(**setup: Any) -> Bench:
    bench = Bench(**{**GRADED, "rest_s": 5.0, "check_rest_s": 0.0, **setup})
    bench.engine.plans.clear()
    for name in PLANS:
        bench.engine.offer_plan(load_plan(name))
    bench.zero()
    return bench


def _ready(**setup: Any) -> Bench:
    bench = _bench(**setup)
    bench.do(do="typed_maximum", value=400)
    return bench


def _practised() -> Bench:
    bench = _bench()
    bench.do(do="screening", applies=False)
    for felt in (25, 50, 75):
        bench.do(do="practice", felt=felt)
        bench.wait(bench.engine.setup.countdown_s, 10.0)
        bench.wait(bench.engine.setup.push_s, lambda t, felt=felt: 10.0 + 4.0 * felt * min(1.0, t / 3.0))
        bench.wait(0.5, 10.0)
    return bench


def _done(*answers: dict[str, Any]) -> Bench:
    bench = _ready()
    bench.do(do="screening", applies=False)
    bench.do(do="expect", expects="less")
    bench.do(do="start_plan", plan="contract-relax")
    bench.wait(12.0, 10.0)
    bench.do(do="stop")
    for answer in answers:
        bench.do(**answer)
    return bench


def _show(live: FakeLive, bench: Bench) -> None:
    told = describe_session(bench.engine)
    over = {"answer": ANSWER, "report_url": "/report"} if told["stage"] == "done" else {}
    live.change(**{key: value for key, value in told.items() if key not in LEVEL_KEYS}, **over)


def asked_list(live: FakeLive) -> None:
    """Who does not test a maximum, before anything else."""
    _show(live, _bench())


def asked_next_morning(live: FakeLive) -> None:
    """How it was after the last time, open, and the list behind it."""
    _show(live, _bench(last_utc=LAST_UTC))


def asked_instead(live: FakeLive) -> None:
    """Something on the list holds."""
    bench = _bench()
    bench.do(do="screening", applies=True)
    _show(live, bench)


def asked_practice(live: FakeLive) -> None:
    """The first light push: a number that fell asks for the rig."""
    bench = _bench()
    bench.do(do="screening", applies=False)
    bench.do(do="practice", felt=25)
    bench.wait(bench.engine.setup.countdown_s, 10.0)
    bench.wait(bench.engine.setup.push_s, lambda t: 10.0 - 8.0 * min(1.0, t / 3.0))
    bench.wait(0.5, 10.0)
    _show(live, bench)


def asked_felt(live: FakeLive) -> None:
    """In the rest after an attempt: how it felt."""
    bench = _practised()
    bench.do(do="attempt")
    bench.wait(bench.engine.setup.countdown_s, 10.0)
    bench.wait(bench.engine.setup.push_s, lambda t: 10.0 + 400.0 * min(1.0, t / 3.0))
    bench.wait(1.0, 10.0)
    _show(live, bench)


def asked_expectation(live: FakeLive) -> None:
    """Before a plan: the list still open, what is expected, plans that are not offered."""
    _show(live, _ready())


def asked_sore(live: FakeLive) -> None:
    """Before a plan, sore since the last time: nothing harder."""
    bench = _ready(last_utc=LAST_UTC)
    bench.do(do="screening", applies=False)
    bench.do(do="aftermath", when="next", soreness=6, new_pain=False)
    bench.do(do="expect", expects="same")
    _show(live, bench)


def asked_range(live: FakeLive) -> None:
    """The range before a plan, one of two readings made."""
    bench = _ready()
    bench.do(do="screening", applies=False)
    bench.do(do="range", when="before", at="first discomfort", value=71, unit="deg", method="goniometer")
    _show(live, bench)


def asked_end(live: FakeLive) -> None:
    """After a plan: how it is now, open, and the range after."""
    _show(live, _done())


def asked_hurt(live: FakeLive) -> None:
    """After a plan: numbness was said, so nothing more today."""
    _show(live, _done({"do": "aftermath", "when": "end", "numbness": True, "new_pain": False, "walks_normally": True}))


CARE_SCENES: dict[str, Callable[[FakeLive], None]] = {
    scene.__name__: scene
    for scene in (
        asked_list,
        asked_next_morning,
        asked_instead,
        asked_practice,
        asked_felt,
        asked_expectation,
        asked_sore,
        asked_range,
        asked_end,
        asked_hurt,
    )
}
