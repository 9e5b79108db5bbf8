"""Makes the recordings beside it: a simulated athlete, short phases, low rates, and a coach who does odd things.

They were made once and are kept as they are: what a later version says of them must be what was said then. Run
``python -m tests.golden.make_recordings FOLDER`` to see how each came about.
"""

from __future__ import annotations

import gzip
import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from biofeedback.account.kinds import RatingAsked
from biofeedback.account.values import Maximum
from biofeedback.acquisition.reader import Reader
from biofeedback.acquisition.simulated import SimulatedSource, open_simulated
from biofeedback.cli import main
from biofeedback.model import Event
from biofeedback.session.plan import load_plan, parse_plan
from biofeedback.session.setup import Setup
from biofeedback.storage.recorder import Recorder
from biofeedback.wiring.assembly import make_session, make_settings
from biofeedback.wiring.randomise import randomise_plan

LONGEST_S = 3600  # no evening here waits as long for anything
STARTED = datetime.fromisoformat("2026-01-05T18:00:00+00:00")
CHECK = """
name = "short-check"
title = "Short check"
description = "relax and contract in turn"
grace_s = 1.0
ask_before_end_s = 2.0
hysteresis_percent = {hysteresis}
dwell_s = {dwell}
[[block]]
repeat = {pairs}
[[block.phase]]
kind = "passive"
duration_s = 7
ask = true
[[block.phase]]
kind = "contract"
duration_s = 7
band = [60, 80]
ask = true
[[block]]
[[block.phase]]
kind = "passive"
duration_s = 7
ask = true
"""
HARD_CHECK = """
name = "response-check"
title = "Response check"
description = "as it was built in then"
grace_s = 2.0
ask_before_end_s = 5.0

[[block]]
repeat = 5

[[block.phase]]
kind = "passive"
duration_s = 20
ask = true

[[block.phase]]
kind = "contract"
duration_s = 20
band = [60, 80]
ask = true

[[block]]
repeat = 1

[[block.phase]]
kind = "passive"
title = "Relax, last time"
duration_s = 20
ask = true
"""  # response-check as it was built in then
SEARCH = """
name = "dose-search"
title = "Dose check that adapts"
description = "as it was built in then"

[[block]]
repeat = 8

[[block.phase]]
kind = "passive"
duration_s = 20
ask = true

[[block.phase]]
kind = "contract"
duration_s = 20
band = [20, 30]
adapt = [10, 80]
ask = true

[[block]]

[[block.phase]]
kind = "passive"
title = "Relax, last time"
duration_s = 20
ask = true
"""  # dose-search as it was built in then
SETS = """
name = "short-sets"
title = "Short sets"
description = "with rests"
grace_s = 1.0
ask_before_end_s = 2.0
[[block]]
repeat = 2
[[block.phase]]
kind = "passive"
duration_s = 6
ask = true
[[block.phase]]
kind = "contract"
duration_s = 9
band = [40, 60]
ask = true
[[block.phase]]
kind = "rest"
title = "Walk about"
duration_s = 5
"""


class Evening:
    """One session without a clock: ``wait`` lets sample time pass, ``do`` presses a button."""

    def __init__(self, path: Path, url: str, *plans: str, **setup: Any) -> None:
        self.source: SimulatedSource = open_simulated(f"{url}&joint=ankle")  # as whom everybody tired then
        known = {
            "athlete": "G01",
            "exercise": "standing hamstring stretch",
            "side": "left",
            "position": "heel on a box, 60 cm",
            "joint": "knee",
            "rest_s": 2.0,
            "limit": 9.0,
            "simulated": True,
            "started_utc": STARTED.isoformat(),
        }
        self.setup = Setup(**known | setup)
        # an idle envelope lies at 0, the converter's lowest code: real boards stand a little above it
        channels = [replace(c, rail_low_counts=None) if c.envelope else c for c in self.source.channels]
        settings = make_settings(self.source, self.setup, channels) | {"source": url}
        self.recorder = Recorder.create(path, settings, threaded=False, force=True)
        offered = [parse_plan(plan, "plan.toml") if "\n" in plan else load_plan(plan) for plan in plans]
        seeds = iter(range(7, 100))
        self.session = make_session(
            self.source,
            self.recorder,
            self.setup,
            offered,
            channels=channels,
            utc=lambda: (STARTED + timedelta(seconds=self.engine.time_s)).isoformat(timespec="milliseconds"),
            randomise=lambda plan: randomise_plan(plan, make_seed=lambda: next(seeds)),
        )
        self.engine = self.session.engine
        self.reader = Reader(self.source)
        self.n_step = max(1, round(0.05 * self.source.rate_hz))

    def do(self, do: str, *, by: str = "coach", **fields: Any) -> None:
        self.session.command({"do": do, **fields}, by=by)

    def step(self) -> None:
        data = self.source.produce_bytes(self.n_step)
        self.session.take(self.reader.timeline.place(self.reader.decoder.feed(data), self.engine.time_s))

    def wait(self, seconds: float) -> None:
        end = self.engine.time_s + seconds
        while self.engine.time_s < end:
            self.step()

    def until(self, happened: Callable[[], object], *, each_step: Callable[[], object] = lambda: None) -> None:
        latest_s = self.engine.time_s + LONGEST_S
        while not happened():
            each_step()
            self.step()
            paused = self.engine.hold.paused if self.engine.hold else ""
            assert self.engine.time_s < latest_s, f"not within {LONGEST_S} s; paused: {paused!r}, {self.engine.message}"

    def lose(self, seconds: float) -> None:
        """The wire is silent for so long, the sequence numbers go on."""
        self.source.produce_bytes(round(seconds * self.source.rate_hz))

    def calibrate(self, n_attempts: int = 3) -> None:
        if self.engine.stage == "cautions":
            self.do("accept_cautions")
        self.zero()
        for _ in range(n_attempts):
            self.attempt()
        if self.engine.channels[self.engine.guide].name not in self.engine.maxima:
            self.do("accept_maximum")

    def zero(self) -> None:
        """Again where the strap was not at rest yet."""
        for _ in range(5):
            self.do("zero")
            self.until(lambda: not self.engine.activity)
            if "force" in self.engine.account.zeros:
                return
        raise AssertionError(self.engine.message)

    def attempt(self) -> None:
        self.do("attempt")
        self.until(lambda: not self.engine.activity)

    def asked(self) -> RatingAsked:
        """Wait for the next question."""
        self.until(lambda: self.engine.hold and self.engine.hold.ask)
        assert self.engine.hold
        assert self.engine.hold.ask
        return self.engine.hold.ask

    def answer(self, value: float | None, *, after_s: float = 0.5, **more: Any) -> int:
        """Answer the next question so long after it was asked; the number of the question."""
        number = self.asked().id
        self.wait(after_s)
        self.do("rate", value=value, ask=number, **more)
        return number

    def play(self, plan: str) -> None:
        """A whole plan, answered as the athlete says."""
        self.do("start_plan", plan=plan)
        self.answer_all()

    def answer_all(self) -> None:
        def answer() -> None:
            if self.engine.hold and self.engine.hold.ask and self.source.said is not None:
                self.do("rate", value=self.source.said, by="athlete")

        self.until(lambda: not self.engine.hold, each_step=answer)

    def close(self) -> None:
        if self.engine.activity:
            self.do("stop", reason="the evening is over")
        if self.engine.stage == "done":
            self.do("resume")
        self.do("finish")
        self.session._settle()
        with self.recorder:
            pass


def check(pairs: int = 3, hysteresis: float = 2.0, dwell: float = 0.3) -> str:
    return CHECK.format(pairs=pairs, hysteresis=hysteresis, dwell=dwell)


def make_late_and_corrected(path: Path) -> None:
    evening = Evening(path, "simulated:?seed=21&channels=force&rate=40&effect=-3", check(), athlete="G01")
    evening.calibrate()
    evening.do("start_plan", plan="short-check")
    evening.answer(6)
    evening.answer(3.5, after_s=3.5)  # after the phase that asked
    evening.do("correct", rating=1, value=4)
    evening.answer(6, after_s=4.5, by="athlete")
    number = evening.asked().id
    evening.until(lambda: evening.engine.hold and not evening.engine.hold.ask)  # nobody answers in time ...
    evening.wait(0.2)
    evening.do("rate", value=3, ask=number, by="athlete")  # ... and then all the same
    evening.answer(None)
    evening.do("correct", rating=5, value=5.5)
    evening.do("correct", rating=5, value=5, by="athlete")
    evening.wait(0.3)
    evening.do("rate", value=4.5)  # nobody asked
    evening.answer(2, after_s=3.0)
    evening.answer(6, after_s=4.0)
    evening.until(lambda: not evening.engine.hold)
    evening.do("correct", rating=3, value=7)
    evening.do("rate", value=2)  # after the plan
    evening.close()


def make_fast(path: Path) -> None:
    evening = Evening(
        path, "simulated:?seed=22&channels=force&rate=40&effect=-2.5", HARD_CHECK, fast=True, athlete="G02"
    )
    evening.calibrate()
    evening.play("response-check")
    evening.session.keep_answer({"word": "less", "text": "less discomfort while contracting"})
    evening.close()


def make_stopped(path: Path) -> None:
    evening = Evening(path, "simulated:?seed=23&channels=force&rate=40&effect=-2", check(2), SETS, limit=8.0)
    evening.calibrate()
    evening.do("start_plan", plan="short-check")
    evening.answer(5)
    evening.answer(3)
    evening.answer(8.5)  # beyond what was agreed
    evening.wait(1.0)
    evening.do("resume")
    evening.do("limit", value=9)
    evening.do("start_plan", plan="short-sets")
    evening.answer(6)
    evening.answer(4)
    evening.asked()
    evening.do("stop", reason="a cramp")
    evening.wait(2.0)
    evening.do("note", text="stretched out, wants to go on")
    evening.do("resume")
    evening.play("short-check")
    evening.close()


def make_adaptive(path: Path) -> None:
    url = "simulated:?seed=24&channels=force&rate=40&effect=-4&dose=saturating"
    evening = Evening(path, url, SEARCH, fast=True)
    evening.calibrate()
    evening.do("start_plan", plan="dose-search")
    n_rated, was_chosen = 0, False

    def lead() -> None:
        nonlocal n_rated, was_chosen
        hold = evening.engine.hold
        if hold and hold.ask and evening.source.said is not None:
            evening.do("rate", value=evening.source.said, by="athlete")
            n_rated += 1
            if n_rated == 6:
                evening.do("correct", rating=4, value=1.5)
        if n_rated >= 9 and not was_chosen and hold and hold.next_phase and hold.next_phase.adapt:
            evening.do("choose_band", low=50, high=60)
            was_chosen = True

    evening.until(lambda: not evening.engine.hold, each_step=lead)
    evening.close()


def make_devices(path: Path) -> None:
    evening = Evening(path, "simulated:?seed=25&channels=force&rate=40&effect=-2", check(1))
    evening.engine.notice_device("board-1")
    evening.calibrate()
    evening.do("start_plan", plan="short-check")
    evening.answer(6)
    evening.engine.notice_device("board-2")
    evening.wait(1.0)
    evening.do("device", answer="keep")
    evening.answer(3)
    evening.answer_all()
    evening.engine.notice_device("board-3")
    evening.wait(1.0)
    evening.engine.notice_device("board-1")
    evening.wait(1.0)
    evening.engine.notice_device("board-4")
    evening.wait(0.5)
    evening.do("device", answer="renew")
    evening.zero()
    evening.do("typed_maximum", value=380, unit="N")
    evening.do("resume")
    evening.play("short-check")
    evening.close()


def make_renewed_last(path: Path) -> None:
    evening = Evening(path, "simulated:?seed=26&channels=force&rate=40&effect=-2", check(1))
    evening.engine.notice_device("board-1")
    evening.calibrate()
    evening.play("short-check")
    evening.engine.notice_device("board-2")
    evening.wait(0.5)
    evening.do("device", answer="renew")
    evening.wait(3.0)
    evening.close()


def make_two_channels(path: Path) -> None:
    url = "simulated:?seed=27&channels=force,emg@envelope&rate=80&effect=-3"
    evening = Evening(path, url, check(2), athlete="G03", covariates=("warm-up",))
    evening.calibrate()
    evening.do("guide", channel="emg")
    evening.do("covariates", text="warm-up, heat")
    evening.play("short-check")
    evening.close()


def make_position(path: Path) -> None:
    url = "simulated:?seed=28&channels=force,position&rate=80&effect=1&position_drift_cm_per_min=4"
    evening = Evening(path, url, check(2), athlete="G04")
    evening.calibrate()
    evening.do("start_plan", plan="short-check")
    evening.answer(3)
    evening.answer(4)
    evening.do("position", answer="drifted", phase_index=0)
    evening.do("position", answer="held", phase_index=1, by="athlete")
    evening.answer_all()
    evening.close()


def make_typed_and_revised(path: Path) -> None:
    evening = Evening(path, "simulated:?seed=29&channels=force&rate=40&maximum=520&effect=-2", check(1), SETS)
    evening.do("accept_cautions")
    evening.zero()
    evening.do("typed_maximum", value=35, unit="kgf")
    evening.play("short-check")
    evening.do("resume")
    evening.do("revise_maximum", channel="force", value=500)
    evening.do("feedback", shown=False)
    evening.do("start_plan", plan="short-sets")
    evening.answer(5)
    evening.wait(2.0)
    evening.do("extend_phase", seconds=3)
    evening.answer(3)
    evening.do("end_phase")
    evening.answer_all()
    evening.close()


def make_carried(path: Path) -> None:
    evening = Evening(path, "simulated:?seed=30&channels=force&rate=40&effect=-2", check(1))
    maximum = Maximum(
        channel="force",
        strength=410.0,
        baseline=12.0,
        unit="N",
        method="carried",
        position="heel on a box, 55 cm",
        side="left",
        exercise="standing hamstring stretch",
        utc="2025-12-29T18:00:00+00:00",
        n_attempts=3,
    )
    evening.session.carry(maximum, ["found in another position"])
    evening.do("accept_cautions")
    evening.zero()
    evening.play("short-check")
    evening.close()


def make_rejected(path: Path) -> None:
    evening = Evening(path, "simulated:?seed=31&channels=force&rate=40&effect=-2", check(1))
    evening.do("accept_cautions")
    evening.zero()
    evening.attempt()
    evening.do("reject_attempt", number=1, reason="pulled with the arm")
    evening.attempt()
    evening.do("attempt")
    evening.wait(4.0)
    evening.do("stop", reason="strap slipped")
    evening.do("resume")
    for _ in range(8):
        if evening.engine.search.verdict().state == "more":
            evening.attempt()
    if "force" not in evening.engine.maxima:
        evening.do("accept_maximum")
    evening.play("short-check")
    evening.close()


def make_off_scale(path: Path) -> None:
    evening = Evening(path, "simulated:?seed=32&channels=force&rate=40&effect=-2", check(1))
    evening.calibrate()
    evening.do("start_plan", plan="short-check")
    evening.answer(5)
    for value in (11.0, -1.0):  # as foreign files may hold
        evening.wait(0.3)
        event = Event(evening.engine.level * evening.engine.levels.hop, "rating", {"value": value, "phase_index": 0})
        evening.recorder.event(replace(event, utc=STARTED.isoformat()))
    evening.recorder.event(Event(event.frame, "mood", {"seen": ["calm", 3]}, STARTED.isoformat()))  # not known here
    evening.answer_all()
    evening.close()


def make_gaps(path: Path) -> None:
    evening = Evening(path, "simulated:?seed=33&channels=force&rate=40&effect=-2", check(2, 5.0, 0.05))
    evening.do("accept_cautions")
    evening.lose(0.7)
    evening.zero()
    evening.do("attempt")
    evening.wait(4.0)
    evening.lose(1.5)
    evening.until(lambda: not evening.engine.activity)
    for _ in range(3):
        evening.attempt()
    if "force" not in evening.engine.maxima:
        evening.do("accept_maximum")
    evening.do("start_plan", plan="short-check")
    evening.answer(6)
    evening.wait(2.0)
    evening.lose(2.0)
    evening.answer(4, after_s=3.0)
    evening.wait(1.0)
    evening.lose(0.1)
    evening.answer_all()
    evening.close()


def make_imported(path: Path) -> None:
    """A table of pounds with a hole, phases and ratings told beside it."""
    rate_hz, rng = 40.0, np.random.default_rng(34)
    spans = [("", 4, 2.0), ("passive", 6, 2.4), ("contract 60-80 %", 6, 72.0), ("passive", 6, 2.2), ("", 2, 2.0)]
    told, rows, start_s = [], ["time_s,load"], 0.0
    for what, length_s, pounds in spans:
        if what:
            told.append(f"{start_s},{length_s},phase {what}")
            told.append(f"{start_s + length_s - 1},,rating {8 - pounds / 20:.1f}")
        for k in range(round(length_s * rate_hz)):
            time_s = start_s + k / rate_hz
            if not 12.0 <= time_s < 12.5:
                rows.append(f"{time_s:.3f},{pounds + rng.normal(0, 0.05) + 6 * (what[:1] == 'c') * np.sin(time_s):.3f}")
        start_s += length_s
    table, events = path.with_suffix(".csv"), path.with_name("events.csv")
    table.write_text("\n".join(rows) + "\n", encoding="utf-8")
    events.write_text("\n".join(["onset,duration,text", *told, "21,,rating none"]) + "\n", encoding="utf-8")
    words = ["convert", str(table), "--out", str(path), "--channel", "load=force:lbf", "--athlete", "G05"]
    words += ["--events", str(events), "--rest", "0-4", "--maximum", "load=440", "--started", STARTED.isoformat()]
    path.unlink(missing_ok=True)
    assert main(words) == 0
    table.unlink()
    events.unlink()


def make_amended(path: Path) -> None:
    evening = Evening(path, "simulated:?seed=35&channels=force&rate=40&effect=-2", check(1), athlete="G06")
    evening.calibrate()
    evening.do("start_plan", plan="short-check")
    evening.until(lambda: not evening.engine.hold)
    evening.wait(1.0)
    evening.close()
    end_s = evening.engine.time_s
    words = ["amend", str(path), "--rating", f"{end_s - 18:.1f}=6", "--rating", f"{end_s - 10.5:.1f}=4"]
    words += ["--rating", f"{end_s - 4.0:.1f}=5.5", "--note", "ratings from the paper sheet"]
    assert main(words) == 0


RECORDINGS = {
    "late-and-corrected": make_late_and_corrected,
    "fast": make_fast,
    "stopped": make_stopped,
    "adaptive": make_adaptive,
    "devices": make_devices,
    "renewed-last": make_renewed_last,
    "two-channels": make_two_channels,
    "position": make_position,
    "typed-and-revised": make_typed_and_revised,
    "carried": make_carried,
    "rejected": make_rejected,
    "off-scale": make_off_scale,
    "gaps": make_gaps,
    "imported": make_imported,
    "amended": make_amended,
}


if __name__ == "__main__":
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    for name, make in RECORDINGS.items():
        path = folder / f"{name}.hold"
        make(path)
        (folder / f"{name}.hold.gz").write_bytes(gzip.compress(path.read_bytes(), mtime=0))
        path.unlink()
