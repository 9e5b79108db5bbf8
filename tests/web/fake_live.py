"""A scripted session for tests of the page: same members as the real one, time moved by hand."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from biofeedback.account import words
from biofeedback.errors import SessionError
from biofeedback.session.updates import Updates

LEVEL_RATE_HZ = 100
STRIP_LEVELS = 30 * LEVEL_RATE_HZ
NEWTON_PER_PERCENT = 4.1
CAUTIONS = [
    "This is not a medical device; it does not diagnose or treat.",
    "Stop on sharp, tearing, electric or spreading sensations, numbness, tingling, joint pain, dizziness, "
    "or a cramp that does not ease.",
    "Not over a recent injury or operation, an unstable or replaced joint, a clot, or in pregnancy "
    "without licensed advice.",
    "Hard isometric effort raises blood pressure: breathe, never hold the breath; not with uncontrolled "
    "blood pressure, heart or eye conditions unless a clinician agrees.",
    "Easing discomfort is no licence to go further: pain is also a warning.",
    "Straps and anchors must hold several times the athlete's maximum, and the athlete must be able to let go.",
    "Follow local rules and a licensed professional.",
]
PLANS = [
    {
        "name": "response-check",
        "title": "Response check",
        "description": "Alternate letting go and contracting with the position held, "
        "and rate discomfort near the end of each phase.",
        "duration_s": 220.0,
    },
    {
        "name": "light-hold",
        "title": "Light hold",
        "description": "One long hold in a light band.",
        "duration_s": 120.0,
    },
    {
        "name": "hard-hold",
        "title": "Hard hold",
        "description": "Short hard holds with full rests between them.",
        "duration_s": 300.0,
    },
]


def plan_phases(n_cycles: int = 5) -> list[dict[str, Any]]:
    phases: list[dict[str, Any]] = []
    for cycle in range(1, n_cycles + 1):
        phases.append({"kind": "passive", "title": "Let go", "band": None, "cycle": cycle})
        phases.append({"kind": "contract", "title": "Contract", "band": [60, 80], "cycle": cycle})
    phases.append({"kind": "passive", "title": "Let go", "band": None, "cycle": n_cycles + 1})
    return [{"index": k, "duration_s": 20.0, **phase} for k, phase in enumerate(phases)]


@dataclass(frozen=True)
class FakeSnapshot:
    time_s: float = 0.0
    level: int = -1
    percent: tuple[float, ...] = (math.nan,)
    band_state: int = 0
    remaining_s: float = math.nan
    stale: bool = False
    in_band_s: float = 0.0
    counted_s: float = 0.0
    beside_state: int = 0


def in_use(**changes: Any) -> dict[str, Any]:
    return {"scale": None, "factor": 0.0042, "zeroed_s": None, "maximum": None} | changes


def first_state() -> dict[str, Any]:
    return {
        "software": "0.1.0",
        "words": words.to_dict(),
        "simulated": True,
        "fast": False,
        "athlete": "A01",
        "exercise": "standing hamstring stretch",
        "side": "left",
        "position": "heel on box 60 cm",
        "stage": "cautions",
        "cautions": CAUTIONS,
        "channels": [
            {
                "name": "force",
                "kind": "force",
                "unit": "N",
                "calibrated": False,
                "problem": None,
                "guide": True,
                "beside": False,
                "can_guide": False,
                "in_use": in_use(),
            }
        ],
        "zero": {"state": "idle", "results": {}},
        "scale": {
            "channel": "",
            "running": False,
            "loads": [],
            "refused": None,
            "certificate": None,
            "check": None,
        },
        "maximum": {
            "step": "idle",
            "number": 1,
            "n_needed": 3,
            "attempts": [],
            "verdict": {"state": "more", "text": "3 more attempts are needed"},
            "strength": None,
            "unit": "N",
        },
        "plans": PLANS,
        "plan": None,
        "phase": None,
        "next": None,
        "band": None,
        "ask": None,
        "ask_position": None,
        "position_offset": None,
        "doubts": [],
        "ratings": [],
        "limit": 9,
        "feedback": True,
        "level_rate_hz": LEVEL_RATE_HZ,
        "message": None,
        "stopped": None,
        "answer": None,
        "report_url": None,
        "recording": {"file": "A01-20260301-1200.hold", "problem": None},
    }


def attempt(number: int, value: float, *, accepted: bool = True, reason: str = "") -> dict[str, Any]:
    reason = reason or f"best 0.5 s mean {value:.0f} N"
    return {"number": number, "value": value, "unit": "N", "accepted": accepted, "reason": reason, "rejected": None}


@dataclass
class FakeLive:
    """Every command is kept in ``commands``; a few move the stage on, so that a page can be led through the job."""

    snap: FakeSnapshot = field(default_factory=FakeSnapshot)
    commands: list[tuple[dict[str, Any], str]] = field(default_factory=list)
    revision: int = 1

    def __post_init__(self) -> None:
        self._state = first_state()
        self._strip: NDArray[np.float32] = np.empty((0, 1), np.float32)
        self._updates = Updates()

    # what the page reads

    def state(self) -> dict[str, Any]:
        return self._state

    def snapshot(self) -> FakeSnapshot:
        return self.snap

    def strip_since(self, level: int) -> tuple[int, NDArray[np.float32]]:
        end = self.snap.level + 1
        first = min(end, max(level, end - self._strip.shape[0]))
        percent = self._strip[self._strip.shape[0] - (end - first) :]
        return first, np.stack([percent, percent * np.float32(NEWTON_PER_PERCENT)])

    async def wait_for_update(self, seen: int) -> int:
        return await self._updates.wait(seen)

    # what the test moves

    def restart(self) -> None:
        """Another session in the same place; pages stay connected."""
        self._state = first_state()
        self._strip = np.empty((0, 1), np.float32)
        self.snap = FakeSnapshot()
        self.commands.clear()
        self.change()

    def renew(self) -> None:
        """As it was made, but for its revision: whatever a test has hung on to it is gone."""
        updates, revision = self._updates, self.revision
        vars(self).clear()
        vars(self).update(vars(FakeLive()))
        self._updates, self.revision = updates, revision
        self.change()

    def change(self, **state: Any) -> None:
        """New values for parts of the state."""
        self._state = self._state | state
        self.revision += 1
        self._updates.publish()

    def show(self, **snapshot: Any) -> None:
        """New values for parts of the snapshot, without new levels."""
        self.snap = replace(self.snap, **snapshot)
        self._updates.publish()

    def feed(self, percent: NDArray[np.float64], **snapshot: Any) -> None:
        """New levels, one row each; the last is what the page shows."""
        rows = np.atleast_2d(np.asarray(percent, float).T).T
        if rows.shape[1] != self._strip.shape[1]:
            self._strip = np.empty((0, rows.shape[1]), np.float32)
        self._strip = np.concatenate([self._strip, rows.astype(np.float32)])[-STRIP_LEVELS:]
        level = self.snap.level + rows.shape[0]
        now = tuple(float(value) for value in rows[-1])
        self.show(level=level, time_s=(level + 1) / LEVEL_RATE_HZ, percent=now, **snapshot)

    def command(self, message: dict[str, Any], by: str) -> dict[str, Any] | None:
        self.commands.append((message, by))
        handler = getattr(self, "_do_" + str(message["do"]), None)
        return handler(message) if handler else None

    def _do_accept_cautions(self, message: dict[str, Any]) -> None:
        self.change(stage="zero")

    def _do_zero(self, message: dict[str, Any]) -> None:
        self.change(stage="maximum", zero={"state": "done", "results": {"force": {"level": 1.2, "sd": 0.3}}})

    def _do_attempt(self, message: dict[str, Any]) -> None:
        old = self._state["maximum"]
        attempts = [*old["attempts"], attempt(len(old["attempts"]) + 1, 400.0 + 5 * len(old["attempts"]))]
        n_more = max(0, 3 - len(attempts))
        verdict = {"state": "more", "text": f"{n_more} more needed"}
        if n_more == 0:
            verdict = {"state": "accepted", "text": "the two best agree within 1.2 %"}
        self.change(maximum=old | {"attempts": attempts, "number": len(attempts) + 1, "verdict": verdict})

    def _do_accept_maximum(self, message: dict[str, Any]) -> None:
        old = self._state["maximum"]
        if not old["attempts"]:
            raise SessionError("there is no attempt yet", "make three attempts")
        strength = max(each["value"] for each in old["attempts"])
        channels = [dict(each, calibrated=True) for each in self._state["channels"]]
        self.change(stage="ready", channels=channels, maximum=old | {"step": "accepted", "strength": strength})

    def _do_limit(self, message: dict[str, Any]) -> None:
        self.change(limit=message["value"])

    def _do_start_plan(self, message: dict[str, Any]) -> None:
        title = next(plan["title"] for plan in PLANS if plan["name"] == message["plan"])
        self._state["plan"] = {"name": message["plan"], "title": title, "phases": plan_phases(), "index": 0}
        self.enter_phase(0)

    def _do_rate(self, message: dict[str, Any]) -> None:
        value = message["value"]
        if value is not None and not 0 <= value <= 10:
            raise SessionError(f"rating {value:g} is not on the scale", "rate from 0 to 10")
        number = len(self._state["ratings"]) + 1
        rating = {
            "number": number,
            "time_s": self.snap.time_s,
            "value": value,
            "phase_index": 0,
            "corrected": False,
            "phase_kind": "",
        }
        self.change(ask=None, ratings=[*self._state["ratings"], rating])

    def _do_stop(self, message: dict[str, Any]) -> None:
        stage = "done" if self._state["stage"] == "plan" else self._state["stage"]
        reason = message.get("reason", "") or "Stop was pressed"
        self.change(stage=stage, stopped={"reason": reason}, ask=None, phase=None, next=None, band=None)
        self.show(remaining_s=math.nan, band_state=0)

    def _do_explain_stop(self, message: dict[str, Any]) -> None:
        self.change(stopped=self._state["stopped"] | {"why": message["why"]})

    def _do_take_up(self, message: dict[str, Any]) -> None:
        index = self._state["paused"]["phase_index"]
        self.change(paused=None)
        self.enter_phase(index)

    def pause(self, reason: str) -> None:
        """As the session does without a signal."""
        phase = self._state["phase"]
        paused = {"reason": reason, "phase_index": phase["index"]}
        rest = phase | {"kind": "rest", "title": "Paused", "band": None}
        self.change(paused=paused, phase=rest, next=self._state["plan"]["phases"][phase["index"]], band=None, ask=None)
        self.show(remaining_s=math.nan, band_state=0)

    def _do_resume(self, message: dict[str, Any]) -> None:
        self.change(stage="ready", stopped=None, answer=None)

    def finish(self) -> None:
        """The plan has run to its end and the answer is there."""
        self.change(stage="done", phase=None, next=None, band=None, answer=ANSWER, report_url="/report")
        self.show(remaining_s=math.nan, band_state=0)

    def enter_phase(self, index: int) -> None:
        """Start phase ``index`` of the plan now."""
        plan = dict(self._state["plan"], index=index)
        phase = plan["phases"][index]
        now = {key: phase[key] for key in ("index", "kind", "title", "band")}
        now["ends_at_s"] = self.snap.time_s + phase["duration_s"]
        following = plan["phases"][index + 1] if index + 1 < len(plan["phases"]) else None
        self.change(stage="plan", plan=plan, phase=now, next=following, band=phase["band"], stopped=None)
        self.show(remaining_s=phase["duration_s"])


ANSWER = {
    "word": "less",
    "text": "While contracting at 60-80 %, discomfort was 2.1 points less than in the letting-go phases around it. "
    "That is beyond what chance would explain in this session.",
    "details": [
        ["contractions compared with relaxing before and after", "5"],
        ["discomfort while contracting, on average", "2.1 points lower"],
        ["what also fits these ratings (95 of 100 times it is right)", "from 3.0 points lower to 1.2 points lower"],
        ["relaxed ratings by themselves, from minute to minute", "0.1 points lower"],
    ],
}
