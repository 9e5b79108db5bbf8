"""The next effort of a plan that adapts: as the analysis would choose it, and afterwards to be made again."""

import threading
from dataclasses import replace

import pytest

from biofeedback.acquisition.sources import open_source
from biofeedback.analysis.answer import analyse_recording, list_dose_points
from biofeedback.analysis.dose import DosePoint, choose_effort
from biofeedback.commands.simulate import simulate_session
from biofeedback.session.adapting import HeldPhase
from biofeedback.session.plan import load_plan
from biofeedback.session.setup import Setup
from biofeedback.storage.recording import open_recording
from biofeedback.wiring.next_effort import N_POINTS, EffortChooser, gather_points, read_earlier

SETUP = Setup(
    athlete="A01", exercise="hamstring", side="left", position="box", simulated=True, limit=10.0,
    started_utc="2026-01-05T18:00:00+00:00",
)  # fmt: skip
LATER = replace(SETUP, started_utc="2026-01-12T18:00:00+00:00")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("adaptive")
    source = open_source("simulated:?seed=4&athlete=A01&channels=force&rate=100")
    simulate_session(source, folder / "one.hold", SETUP, ["dose-search"])
    return folder


@pytest.fixture(scope="module")
def analysis(folder):
    return analyse_recording(open_recording(folder / "one.hold"))


def test_every_choice_can_be_made_again_from_what_is_on_record(analysis):
    chosen = [row for row in analysis.phases if row.choice]
    assert len(chosen) == 7  # all contractions but the first
    for row in chosen:
        data = row.choice
        points = read_points(data.points)
        limits = {key: getattr(data, key) for key in ("low_percent", "high_percent", "top_percent")}
        effort, reason = choose_effort(points, **limits)
        assert data.reason.startswith(reason)
        assert row.phase.band.low_percent == pytest.approx(min(effort, data.high_percent) - 5)


def test_what_it_was_made_from_is_what_the_analysis_finds_afterwards(analysis):
    afterwards = list_dose_points(analysis.phases, analysis.response)
    last = read_points(analysis.phases[-2].choice.points)
    assert 5 <= len(last) <= 7
    for live, later in zip(last, afterwards, strict=False):
        assert live.change == later.change
        assert live.effort_percent == pytest.approx(later.effort_percent, rel=1e-12)


def test_no_p_value_where_efforts_were_chosen(analysis):
    assert analysis.response.test is None
    assert "chosen along the way" in analysis.response.test_reason
    assert analysis.dose_test is None


def test_earlier_recordings_of_the_same_stretch_are_kept_in_mind(folder, analysis):
    earlier = read_earlier(folder, LATER)
    assert [p.change for p in earlier] == [p.change for p in list_dose_points(analysis.phases, analysis.response)]
    assert {p.session for p in earlier} == {1}
    for other in (
        replace(LATER, side="right"),
        replace(LATER, position="chair"),
        replace(LATER, simulated=False),
        SETUP,
    ):
        assert read_earlier(folder, other) == []
    assert read_earlier(folder / "none", LATER) == []


def test_earlier_recordings_are_only_read_for_a_plan_that_adapts():
    read = []
    chooser = EffortChooser(lambda: read.append(1) or [])
    chooser.prepare(load_plan("response-check"))
    assert chooser.thread is None
    chooser.prepare(load_plan("dose-search"))
    reading = chooser.thread
    for name in ("dose-search", "response-check"):
        chooser.prepare(load_plan(name))
        assert chooser.thread is reading
    reading.join(10)
    assert read == [1]


def test_what_is_still_read_keeps_no_program_from_ending():
    may_go_on = threading.Event()
    chooser = EffortChooser(lambda: may_go_on.wait(60) and [])
    try:
        plan = load_plan("dose-search")
        assert chooser.prepare(plan) is plan
        assert (chooser.thread.is_alive(), chooser.thread.daemon) == (True, True)  # Python ends without daemons
    finally:
        may_go_on.set()
        chooser.thread.join(10)


def test_a_choice_is_made_from_no_more_than_a_session_can_wait_for():
    """This session's contractions first, then the newest of earlier ones."""
    earlier = [DosePoint(50.0, -1.0, 1 + i // 8, i % 8) for i in range(100)]
    chooser = EffortChooser(lambda: earlier)
    chooser.prepare(load_plan("dose-search"))
    chooser.thread.join(60)
    held = [HeldPhase("passive", 0, 0.0, 7.0)]
    for i in range(3):
        held += [HeldPhase("contract", 2 * i + 1, 30.0, 5.0), HeldPhase("passive", 2 * i + 2, 0.0, 7.0)]
    choice = chooser(held, low_percent=10.0, high_percent=80.0, top_percent=100.0)
    rows = choice.basis["points"]
    assert len(rows) == N_POINTS
    assert [row[2] for row in rows[:4]] == [0, 0, 0, 1]
    assert f"with {N_POINTS - 3} earlier contractions" in choice.reason


def test_a_phase_without_a_rating_makes_no_contrast():
    held = [
        HeldPhase("passive", 0, 0.0, 7.0), HeldPhase("contract", 1, 30.0, 5.0), HeldPhase("rest", 2),
        HeldPhase("passive", 3, 0.0, 6.0), HeldPhase("contract", 4, 50.0, 3.0), HeldPhase("passive", 5, 0.0, None),
    ]  # fmt: skip
    (only,) = gather_points(held)
    assert (only.effort_percent, only.change, only.cycle) == (30.0, -1.5, 1)


def read_points(rows):
    from biofeedback.analysis.dose import DosePoint

    return [DosePoint(*row) for row in rows]


@pytest.mark.parametrize(("n_held", "n_own", "n_earlier"), [(0, 0, 48), (10, 10, 38), (48, 48, 0), (60, 48, 0)])
def test_of_48_contractions_this_sessions_count_first_and_the_newest_of_them(monkeypatch, n_held, n_own, n_earlier):
    """So many are chosen from within the 50 ms that a session may wait."""
    seen = []

    def choose(points, **limits):
        seen.append((points, limits))
        return 30.0, "so"

    monkeypatch.setattr("biofeedback.analysis.dose.choose_effort", choose)
    held = [HeldPhase("passive", 0, 0.0, 5.0)]
    for k in range(n_held):
        held += [HeldPhase("contract", 2 * k + 1, 20.0 + k / 10, 4.0), HeldPhase("passive", 2 * k + 2, 0.0, 5.0)]
    assert len(gather_points(held)) == n_held
    chooser = EffortChooser()
    chooser._earlier = tuple(DosePoint(50.0, -1.0, 1, k) for k in range(60))
    choice = chooser(held, low_percent=20.0, high_percent=60.0, top_percent=80.0)
    ((points, limits),) = seen
    assert points == [*gather_points(held)[max(0, n_held - 48) :], *chooser._earlier[:n_earlier]]
    assert (len(points), sum(p.session == 0 for p in points)) == (48, n_own)
    assert limits == {"low_percent": 20.0, "high_percent": 60.0, "top_percent": 80.0}
    assert choice.reason == "so" + (f", with {n_earlier} earlier contractions in mind" if n_earlier else "")
    assert choice.basis["points"] == [[p.effort_percent, p.change, p.session, p.cycle] for p in points]
