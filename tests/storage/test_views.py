"""The views that people ask with any SQLite tool say what the account says: each rating once, one way of counting."""

from __future__ import annotations

import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from biofeedback.account.kinds import Payload, PhaseBegun, RatingGiven, Stopped, make_event
from biofeedback.model import Chunk, Event
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.recording import open_recording

from .helpers import make_counts, make_settings

values = st.one_of(st.none(), st.integers(0, 20).map(lambda n: n / 2))
kinds = st.sampled_from(["passive", "contract", "rest", "end"])
said = st.one_of(
    st.builds(PhaseBegun, phase_kind=kinds, index=st.integers(0, 2), title=st.just("Hold")),
    st.builds(RatingGiven, value=values, phase_index=st.one_of(st.none(), st.integers(0, 3)), by=st.just("coach")),
    st.builds(RatingGiven, value=values, corrects=st.integers(1, 4)),
    st.just(Stopped(reason="enough")),
)


def record(path: Path, events: list[Event]) -> None:
    with Recorder.create(path, make_settings(), threaded=False) as recorder:
        recorder.append(Chunk(0, make_counts(400)))
        for event in events:
            recorder.event(event)


@given(st.lists(st.tuples(st.integers(0, 300), said), max_size=12))
@settings(max_examples=60)
def test_views_and_account_agree(told: list[tuple[int, Payload]]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.hold"
        record(path, [make_event(payload, frame) for frame, payload in told])
        account = open_recording(path).account
        with closing(sqlite3.connect(path)) as connection:
            ratings = connection.execute(
                "SELECT number, value, rating_phase, phase_kind, corrected_from IS NOT NULL FROM ratings"
            ).fetchall()
            phases = connection.execute("SELECT phase, phase_kind FROM phases ORDER BY phase").fetchall()
    assert phases == [(phase.number, phase.kind) for phase in account.phases]
    assert ratings == [
        (
            one.number,
            one.value,
            one.phase_number,
            account.phases[one.phase_number - 1].kind if one.phase_number else None,
            bool(one.originals and one.originals[0] is not None),
        )
        for one in account.ratings
    ]


def test_a_rating_put_right_is_one_row_with_both_numbers(tmp_path: Path) -> None:
    path = tmp_path / "a.hold"
    begun = PhaseBegun(phase_kind="contract", index=0)
    given_, right = RatingGiven(value=6.0, phase_index=0), RatingGiven(value=4.0, corrects=1)
    record(path, [make_event(payload, 10 * n) for n, payload in enumerate([begun, given_, right])])
    with closing(sqlite3.connect(path)) as connection:
        rows = connection.execute("SELECT value, corrected_from, rating_phase, phase_kind FROM ratings").fetchall()
    assert rows == [(4.0, 6.0, 1, "contract")]
