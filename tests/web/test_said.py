"""What is said, when and in which order, for every built-in plan: the real session, the real page, its speech captured.

Time is sample time and the page's own clock, moved together; what is to be heard is worked out here from the events of
the session, not asked of the page. ``pytest -m long -rP`` prints each plan's table.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from biofeedback.account.kinds import PhaseBegun, RatingAsked
from biofeedback.session.plan import load_plan

from .conftest import Page
from .test_real_engine import LEVELS_PER_S, Rig

pytestmark = [pytest.mark.browser, pytest.mark.long]

PLANS = sorted(path.stem for path in (Path(load_plan.__code__.co_filename).parent / "plans").glob("*.toml"))
STEP_S = 0.5
FRAME_MS = 17
HORIZON_S = 75.0
LATE_S = 1.3  # two steps, and a word that was not finished
LAST = ["three", "two", "one"]
# Stands in for the browser's speech: says a word at a usual pace, tells its end, refuses to say two at once.
SPEECH = """window.said = [];
window.atOnce = [];
let current = null;
window.SpeechSynthesisUtterance = class { constructor(text) { this.text = text; } };
const over = (how) => { Object.assign(current.row, { end: performance.now(), how }); current = null; };
Object.defineProperty(window, "speechSynthesis", { value: {
  get speaking() { return current !== null; },
  pending: false,
  getVoices: () => [{ lang: "en-GB", localService: true, name: "test" }],
  addEventListener: () => {},
  cancel: () => {
    if (!current) return;
    const { utterance } = current;
    over("cut");
    utterance.onerror?.({ error: "interrupted" });
  },
  speak: (utterance) => {
    if (current) window.atOnce.push([current.row.text, utterance.text]);
    const row = { text: utterance.text, at: performance.now(), end: null, how: "" };
    window.said.push(row);
    const mine = { utterance, row };
    current = mine;
    setTimeout(() => utterance.onstart?.(), 20);
    setTimeout(() => {
      if (current !== mine) return;
      over("whole");
      utterance.onend?.();
    }, 300 + 65 * utterance.text.length);
  },
} });
"""


@dataclass(frozen=True)
class Said:
    """One word or phrase, seconds of the session; ``how`` it ended: whole, cut, or "" for not yet."""

    text: str
    at_s: float
    end_s: float
    how: str


class PlanRig(Rig):
    """A session of one built-in plan; what it emits is noted with its time."""

    plan = ""

    def up(self) -> None:
        super().up()
        own = replace(load_plan(self.plan), name="one")
        self.engine.plans = {"one": own}  # type: ignore[misc]
        self.events: list[tuple[float, object]] = []
        emit = self.engine.emit

        def note(payload: Any) -> None:
            self.events.append((self.engine.level / LEVELS_PER_S, payload))
            emit(payload)

        self.engine.emit = note  # type: ignore[method-assign]

    @property
    def effort(self) -> float:
        """What a willing athlete does now: the middle of the band, or nothing."""
        band = self.live.state().get("band")
        return (band[0] + band[1]) / 2 if band else 0.0


@pytest.fixture
def rig(request: pytest.FixtureRequest) -> Iterator[PlanRig]:
    rig = PlanRig()
    rig.plan = request.param
    rig.up()
    yield rig
    rig.end()


def hear(browser: Any, rig: PlanRig, script: Path) -> tuple[list[Said], list[list[str]], float]:
    """Lead the plan for ``HORIZON_S``; what was said, what was said at once, and when it began."""
    page = Page(browser, rig, path="athlete", script=script, pressed=False)
    page.tab.clock.install(time=datetime.fromtimestamp(0, UTC))
    page.tab.goto(rig.address + "athlete")
    page.tab.clock.pause_at(datetime.fromtimestamp(100, UTC))  # from here on it goes only when it is told to
    page.tab.mouse.click(5, 5)  # a browser gives no sound before a press

    def may_speak() -> bool:
        page.tab.clock.run_for(200)
        return page.text("sound-name") == "Voice on"

    page.wait(may_speak)
    rig.start_plan()
    begun_s = rig.engine.level / LEVELS_PER_S
    owed_ms = 0
    settle_and(page, rig)
    offset_s = rig.engine.level / LEVELS_PER_S - page.tab.evaluate("() => performance.now()") / 1000
    while rig.engine.level / LEVELS_PER_S < begun_s + HORIZON_S and rig.engine.hold:
        rig.wait(STEP_S, rig.effort)
        owed_ms += round(1000 * STEP_S) - settle_and(page, rig)
        if owed_ms > 0:
            page.tab.clock.run_for(owed_ms)
            owed_ms = 0
    rows = page.tab.evaluate("() => window.said")
    at_once = page.tab.evaluate("() => window.atOnce")
    assert page.complaints == []
    page.context.close()
    said = [
        Said(row["text"], row["at"] / 1000 + offset_s, (row["end"] or row["at"] + 9e9) / 1000 + offset_s, row["how"])
        for row in rows
    ]
    return said, at_once, begun_s


def settle_and(page: Page, rig: Rig) -> int:
    """Until the newest level has come to the page; how many ms of its clock that took, a frame for each look."""
    level = rig.engine.level - 1
    frames = 0

    def has_come() -> bool:
        nonlocal frames
        frames += 1
        page.tab.wait_for_timeout(min(100, 5 * frames))
        page.tab.clock.run_for(FRAME_MS)
        return int(page.tab.get_attribute("#number", "data-level") or -1) >= level

    page.wait(has_come, within_s=20)
    return frames * FRAME_MS


def instruction(phase: PhaseBegun) -> str:
    """What is said at the start of a phase, by the words that everybody agreed on."""
    if phase.phase_kind == "contract":
        if phase.band:
            return f"Contract, {phase.band.low_percent:g} to {phase.band.high_percent:g} percent"
        return f"Contract, felt {phase.felt:g} of 10" if phase.felt is not None else "Contract"
    return {
        "passive": "Relax, stay in the position",
        "rest": "Come out and rest",
        "remote": "Squeeze the hand, leave the stretch relaxed",
        "end": "Finished. Come out slowly",
    }[phase.phase_kind]


ALLOWED = re.compile(
    r"Contract(, (\d+ to \d+ percent|felt \d+ of 10))?|Relax, stay in the position|Come out and rest|Rate now\b.*"
    r"|three|two|one|Squeeze the hand, leave the stretch relaxed(, .*)?|Count aloud|Now \d+ to \d+ percent"
    r"|Without the number: keep it|The number is back|Finished\. Come out slowly|A little more|Ease off"
)


def check(said: list[Said], events: list[tuple[float, object]], begun_s: float, until_s: float) -> None:
    """Every instruction in order and in time, every question, the last seconds, breathing; never two at once."""
    phases = [(at_s, one) for at_s, one in events if isinstance(one, PhaseBegun) and at_s >= begun_s - 0.1]
    assert phases
    told = [one for one in said if one.text.startswith(("Contract", "Relax,", "Come out", "Squeeze", "Finished"))]
    due = [(at_s, instruction(phase)) for at_s, phase in phases if at_s < until_s - LATE_S]
    first = due[0][1]
    assert [one.text for one in told][: len(due)] == [text for _, text in due], first
    for one, (at_s, _) in zip(told, due, strict=False):
        assert -0.7 <= one.at_s - at_s <= LATE_S, one
    for at_s, _ in [
        (at_s, one) for at_s, one in events if isinstance(one, RatingAsked) and begun_s <= at_s < until_s - 3
    ]:
        assert any(one.text.startswith("Rate now") and -0.7 <= one.at_s - at_s <= 3 for one in said), at_s
    for one, following in itertools.pairwise(said):
        assert one.how, f"{one} was never over"
        assert one.end_s <= following.at_s + 0.01, (one, following)
        if one.how == "cut":
            assert following.text not in (*LAST, "Count aloud"), "only what is more urgent cuts off"
            assert not one.text.startswith("Rate now"), "a question is heard whole"
    for one in said:
        assert ALLOWED.fullmatch(one.text), one
    for (at_s, phase), (end_s, _) in itertools.pairwise(phases):
        within = [one.text for one in said if at_s - 0.7 <= one.at_s < end_s - 0.1]
        explains = any(text.startswith("Rate now.") for text in within)  # the first question, which takes until the end
        if end_s - at_s >= 8 and end_s < until_s and not explains:
            counted = [text for text in within if text in LAST]
            # the last step may begin three seconds before the end, and is still being said
            assert counted == LAST or (phase.steps and counted == LAST[1:]), (phase.title, within)
        if phase.phase_kind == "contract" and end_s - at_s >= 9:  # in a shorter one the last seconds come first
            hard = bool(phase.band and phase.band.low_percent >= 80) or phase.until == "band lost"
            n = within.count("Count aloud")
            assert n >= (end_s - at_s) / 5 - 2 if hard else n == 1, (phase.title, within)
        if phase.steps and end_s - at_s >= 8:
            assert sum(text.startswith("Now ") for text in within) == len(phase.steps), within
        if phase.blind:
            assert within.count("Without the number: keep it") == len(phase.blind), within


@pytest.mark.parametrize("rig", PLANS, indirect=True)
def test_every_plan_is_said_in_order_in_time_and_never_two_at_once(browser: Any, rig: PlanRig, tmp_path: Path) -> None:
    script = tmp_path / "speech.js"
    script.write_text(SPEECH)
    said, at_once, begun_s = hear(browser, rig, script)
    print(f"{rig.plan}:")
    for one in said:
        print(f"  {one.at_s - begun_s:6.1f} s  {one.text}{'  (cut off)' if one.how == 'cut' else ''}")
    assert at_once == []
    check(said, rig.events, begun_s, rig.engine.level / LEVELS_PER_S)
