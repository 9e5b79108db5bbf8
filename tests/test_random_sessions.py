"""Any evening at all, malformed commands and broken wires among it: nothing crashes, nothing is lost, all faces agree.

What is held live against what its file says afterwards: the account field by field and every effort bit for bit; then
check, repair, report, and the way through a table and through BDF+ and back.
"""

from __future__ import annotations

import contextlib
import dataclasses
import importlib.util
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, event, example, given, settings
from hypothesis import strategies as st

from biofeedback.account.account import Account
from biofeedback.account.commands import COMMANDS, check_command
from biofeedback.account.fold import fold
from biofeedback.analysis.answer import SessionAnalysis, analyse_recording
from biofeedback.errors import BiofeedbackError
from biofeedback.model import Channel, Chunk, Gap
from biofeedback.report.html import build_report
from biofeedback.report.tables import list_settings, list_tables
from biofeedback.report.words import describe_done, describe_effect, describe_maximum, describe_next
from biofeedback.session.engine import Engine
from biofeedback.session.plan import parse_plan
from biofeedback.session.session import Session
from biofeedback.session.setup import Setup
from biofeedback.session.view import describe_session
from biofeedback.storage.check import check_recording, repair_recording
from biofeedback.storage.csv_import import import_csv
from biofeedback.storage.edf import export_edf
from biofeedback.storage.edf_import import import_edf
from biofeedback.storage.imported import write_recording
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.recording import Recording, open_recording
from biofeedback.storage.tables import export_csv

PLAN = """
name = "short"
grace_s = 0.3
ask_before_end_s = 0.5
[[block]]
repeat = 2
[[block.phase]]
kind = "passive"
duration_s = 2
ask = true
[[block.phase]]
kind = "contract"
duration_s = 2
band = [20, 30]
adapt = [10, 60]
ask = true
[[block]]
[[block.phase]]
kind = "rest"
duration_s = 1
"""
FORCE = Channel(name="force", kind="force", unit="N", factor=0.5, offset_counts=-20)
SETS = (
    (FORCE,),
    (FORCE, Channel(name="emg", kind="emg", unit="uV", factor=0.1, envelope=True)),
    (dataclasses.replace(FORCE, name="force_left"), dataclasses.replace(FORCE, name="force_right", factor=-0.25)),
    (FORCE, Channel(name="position", kind="position", unit="cm", factor=0.01)),
    (Channel(name="emg", kind="emg", unit="mV", envelope=True), Channel(name="force x", kind="force", unit="count")),
)

sensible = st.sampled_from(
    [
        {"do": "accept_cautions"}, {"do": "zero"}, {"do": "attempt"}, {"do": "accept_maximum"},
        {"do": "reject_attempt", "number": 1}, {"do": "typed_maximum", "value": 400},
        {"do": "revise_maximum", "channel": "force", "value": 450}, {"do": "guide", "channel": "force_right"},
        {"do": "start_plan", "plan": "short"}, {"do": "stop"}, {"do": "stop", "reason": "a cramp, sudden; \t odd"},
        {"do": "resume"}, {"do": "finish"}, {"do": "end_phase"}, {"do": "extend_phase", "seconds": 3},
        {"do": "choose_band", "low": 30, "high": 40}, {"do": "position", "answer": "drifted", "phase_index": 1},
        {"do": "covariates", "text": "heat, massage"}, {"do": "feedback", "shown": False},
        {"do": "note", "text": "é€ ,;"},
        {"do": "device", "answer": "keep"}, {"do": "device", "answer": "renew"},
        {"do": "keep_rate", "rate_hz": 97.5}, {"do": "limit", "value": 7},
        {"do": "scale_load", "channel": "force", "load": 0, "unit": "kg"},
        {"do": "scale_load", "channel": "force", "load": 20, "unit": "kg"}, {"do": "scale_undo"},
        {"do": "scale_finish", "sensor": "cell 1"}, {"do": "scale_check", "channel": "force", "load": 10},
    ]
)  # fmt: skip
ratings = st.builds(
    lambda do, value, n: {"do": "rate", "value": value} if do else {"do": "correct", "rating": n, "value": value},
    st.booleans(),
    st.none() | st.integers(0, 20).map(lambda n: n / 2),
    st.integers(0, 5),
)
junk = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=6),
    lambda inner: st.lists(inner, max_size=2) | st.dictionaries(st.text(max_size=4), inner, max_size=2),
    max_leaves=4,
)
KEYS = sorted({key for command in COMMANDS.values() for key in (*command.needs, *command.may)})
malformed = st.builds(
    lambda do, fields: {**fields, "do": do},
    st.sampled_from(sorted(COMMANDS)) | junk,
    st.dictionaries(st.sampled_from(KEYS) | st.text(max_size=4), junk, max_size=3),
)


@dataclasses.dataclass(frozen=True)
class Wait:
    """Readings for so long, cut into pieces of these sizes; without them the wire is silent."""

    seconds: float
    percent: float
    n_pieces: tuple[int, ...]


waits = st.builds(
    Wait,
    st.sampled_from([0.1, 0.7, 2.2, 5.0]),
    st.sampled_from([0.0, 0.0, 25.0, 60.0, 130.0, float("nan")]),
    st.sampled_from([(), (1,), (7, 3), (50,), (1, 40, 2)]) | st.just((25,)),
)
devices = st.sampled_from(["one", "two", ""])
steps = st.lists(sensible | ratings | malformed | waits | waits | devices, max_size=30)
BEGIN: list[Any] = [
    {"do": "accept_cautions"},
    {"do": "zero"},
    Wait(2.2, 0.0, (25,)),
    {"do": "typed_maximum", "value": 400},
]
RUN: list[Any] = [*BEGIN, {"do": "start_plan", "plan": "short"}, Wait(1.7, 0.0, (7, 3))]
evenings = st.tuples(
    st.sampled_from(SETS), st.sampled_from([40.0, 100.0]), st.sampled_from([[], BEGIN, RUN, RUN]), steps, st.booleans()
)


class Live:
    """One session into one file, and every effort that was shown."""

    def __init__(self, path: Path, channels: tuple[Channel, ...], rate_hz: float, *, fast: bool) -> None:
        setup = Setup(
            fast=fast, simulated=True, rest_s=1.0, push_s=1.0, countdown_s=1.0, started_utc="2026-01-05T18:00:00+00:00"
        )
        about = {"channels": [channel.to_dict() for channel in channels], "rate_hz": rate_hz, "format": 1}
        about |= {"software": "test", "started_utc": setup.started_utc, "source": "simulated:", **setup.to_settings()}
        self.recorder = Recorder.create(path, about, threaded=False)
        self.engine = Engine(channels, rate_hz, setup, [parse_plan(PLAN, "short.toml")])
        self.session = Session(
            self.engine, self.recorder, utc=lambda: "2026-01-05T18:00:01+00:00", cue=lambda cue: None
        )
        self.channels, self.rate_hz, self.frame = channels, rate_hz, 0
        self.shown: list[Any] = []
        push = self.engine.effort.push

        def note(levels: Any) -> Any:
            effort = push(levels)
            self.shown.append(effort.percent.copy())
            return effort

        self.engine.effort.push = note  # type: ignore[method-assign]

    def take(self, step: Any) -> None:
        if isinstance(step, str):
            self.engine.notice_device(step)
            self.session.take([])
        elif isinstance(step, Wait):
            self.wait(step)
        else:
            with contextlib.suppress(BiofeedbackError):  # refused with a cure: never anything else
                check_command(step)
                self.session.command(step, by="coach")
            self.wait(Wait(0.05, 0.0, (25,)))  # nobody presses twice within a hundredth of a second
        describe_session(self.engine)

    def wait(self, step: Wait) -> None:
        n, sizes = round(step.seconds * self.rate_hz), step.n_pieces
        if not sizes:
            self.session.take([Gap(self.frame, n, "nothing came")])
            self.frame += n
            return
        end, k = self.frame + n, 0
        while self.frame < end:
            size = min(sizes[k % len(sizes)], end - self.frame)
            frames = np.arange(self.frame, self.frame + size)
            noise = np.sin(frames * 12.9898) * 0.5 + frames % 3
            columns = [np.round(100 + noise + 8 * step.percent * (column == 0)) for column in range(len(self.channels))]
            self.session.take([Chunk(self.frame, np.column_stack(columns).astype(float))])
            self.frame, k = self.frame + size, k + 1


def live_through(path: Path, evening: Any) -> Live:
    channels, rate_hz, begin, more, fast = evening
    live = Live(path, channels, rate_hz, fast=fast)
    with live.recorder:
        for step in [*begin, *more]:
            live.take(step)
    return live


def say_everything(analysis: SessionAnalysis) -> list[Any]:
    """All words and cells of the report, without its pictures."""
    words = [describe_done(analysis), describe_effect(analysis), describe_next(analysis), describe_maximum(analysis)]
    return [list_tables(analysis), list_settings(analysis), words]


def tell(recording: Recording) -> tuple[Any, ...]:
    """What the account holds that every way through another format must keep."""
    account = fold(recording.events, channels=recording.channels, settings=recording.settings)
    return (
        [(r.frame, r.value, r.phase_number, r.originals) for r in account.ratings],
        [(p.first_frame, p.end_frame, p.kind, p.band) for p in account.phases],
    )


@given(evenings)
@settings(max_examples=30, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
def test_any_evening_is_the_same_live_and_afterwards(evening: Any) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        live = live_through(folder / "a.hold", evening)
        recording = open_recording(folder / "a.hold")
        afterwards = fold(recording.events, channels=recording.channels, settings=recording.settings)
        event(f"{len(afterwards.phases)} phases, {min(3, len(afterwards.ratings))} ratings or more")
        for field in dataclasses.fields(Account):
            ours, theirs = getattr(live.engine.account, field.name), getattr(afterwards, field.name)
            if field.name == "settings":  # the file says more of itself
                theirs = {key: theirs[key] for key in ours}
            assert theirs == ours, field.name
        analysis = analyse_recording(recording)
        shown = np.concatenate([*live.shown, np.empty((0, len(live.channels)))])
        assert analysis.trace.percent.tobytes() == shown.tobytes()
        say_everything(analysis)
        verdict = check_recording(folder / "a.hold")
        assert verdict.is_sound, verdict.problems


@given(evenings)
@settings(max_examples=12, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
def test_repairing_what_is_sound_or_repaired_changes_nothing(evening: Any) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        live_through(folder / "a.hold", evening)
        repair_recording(folder / "a.hold", folder / "b.hold")
        repair_recording(folder / "b.hold", folder / "c.hold")
        a, b, c = (open_recording(folder / f"{each}.hold") for each in "abc")
        assert a.events == b.events == c.events
        assert a.counts().tobytes() == b.counts().tobytes() == c.counts().tobytes()
        assert check_recording(folder / "c.hold").is_sound


@given(evenings)
@settings(max_examples=12, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
def test_a_table_and_back_is_the_same_evening(evening: Any) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        live = live_through(folder / "a.hold", evening)
        if live.frame == 0:
            return
        before = open_recording(folder / "a.hold")
        export_csv(before, folder / "one.csv")
        if np.isnan(before.counts()).all():  # nothing ever came: there may be no table to read
            return
        write_recording(import_csv(folder / "one.csv"), folder / "b.hold")
        after = open_recording(folder / "b.hold")
        assert after.events == before.events
        assert tell(after) == tell(before)
        np.testing.assert_array_equal(scaled(after), scaled(before))
        export_csv(after, folder / "two.csv")
        one, two = ((folder / f"{each}.csv").read_text("utf-8").replace("nan", "") for each in ("one", "two"))
        assert two == one  # a reading that is no number is a gap from then on
        one, two = ((folder / f"{each}_events.csv").read_text("utf-8").splitlines() for each in ("one", "two"))
        assert [row for row in two if "gap: " not in row] == [row for row in one if "gap: " not in row]


@pytest.mark.skipif(importlib.util.find_spec("edfio") is None, reason="edfio is not installed")
@given(evenings)
@example(((FORCE,), 40.0, RUN, [{"do": "accept_cautions"}, {"do": "rate", "value": 8.0}], True))  # ends as it begins
@settings(max_examples=15, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
def test_bdf_and_back_keeps_ratings_phases_and_corrections(evening: Any) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        live = live_through(folder / "a.hold", evening)
        if live.frame == 0:
            return
        before = open_recording(folder / "a.hold")
        export_edf(before, folder / "a.bdf")
        write_recording(import_edf(folder / "a.bdf"), folder / "b.hold")
        assert tell(open_recording(folder / "b.hold")) == tell(before)


@given(evenings)
@settings(max_examples=3, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
def test_the_whole_report_with_its_pictures_never_fails(evening: Any) -> None:
    with tempfile.TemporaryDirectory() as name:
        live_through(Path(name) / "a.hold", evening)
        html = build_report(analyse_recording(open_recording(Path(name) / "a.hold")))
        assert html.endswith("</html>") or "</html>" in html


def scaled(recording: Recording) -> Any:
    counts = recording.counts()
    return np.column_stack([channel.scaled(counts[:, k]) for k, channel in enumerate(recording.channels)])
