from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy import constants

from biofeedback.analysis.trace import compute_trace
from biofeedback.errors import RecordingError
from biofeedback.model import Channel, Chunk, Event, FloatArray, Gap, Note, count_readings, place_reading
from biofeedback.storage.annotations import list_annotations, parse_events
from biofeedback.storage.csv_import import import_csv
from biofeedback.storage.edf import export_edf
from biofeedback.storage.edf_import import import_edf
from biofeedback.storage.imported import write_recording
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.recording import Recording, open_recording
from biofeedback.storage.table_clock import TIME_UNITS, place_by_times
from biofeedback.storage.table_text import read_blocks, read_layout
from biofeedback.storage.tables import export_csv, export_numpy
from biofeedback.storage.together import MISSING_REASON, _fit_period

from ..requirements import need
from .helpers import need_module

try:
    import edfio
except ImportError:
    edfio = None

FORCE = Channel(name="force 0", kind="force", unit="N", factor=0.0042, offset_counts=120.0)
LONG_TO_DESCRIBE = Channel(  # its rail is the 81st character of the header's 80, unless spaces are left out
    name="position 1", kind="position", unit="deg", factor=1 / 3, offset_counts=120.0, rail_high_counts=32767.0,
    rate_hz=18.75,
)  # fmt: skip


@st.composite
def sessions(draw: st.DrawFn) -> tuple[list[Channel], float, list[Chunk | Gap], list[Event]]:
    """Channels, rate, chunks and gaps, and phases with ratings in them."""
    n_channels = draw(st.integers(1, 3))
    kinds = draw(st.lists(st.sampled_from(["force", "emg", "position"]), min_size=n_channels, max_size=n_channels))
    rate_hz = draw(st.sampled_from([10.0, 80.0, 93.75, 1000.0]))
    channels = [
        Channel(
            name=f"{kind} {k}",
            kind=kind,
            unit=draw(st.sampled_from(["N", "uV", "deg", "count"])),
            factor=draw(st.sampled_from([1.0, 0.5, 0.0042, -2.0, 1 / 3])),
            offset_counts=draw(st.sampled_from([0.0, 120.0])),
            envelope=kind == "emg" and (rate_hz < 400 or draw(st.booleans())),
            rail_high_counts=draw(st.sampled_from([None, 32767.0])),
            rate_hz=draw(st.sampled_from([None, rate_hz / 5])) if k and kind != "emg" else None,
        )
        for k, kind in enumerate(kinds)
    ]
    items: list[Chunk | Gap] = []
    end = 0
    for is_chunk in draw(st.lists(st.booleans(), min_size=1, max_size=5)):
        n_frames = draw(st.integers(1, 300))
        if is_chunk:
            counts = np.random.default_rng(draw(st.integers(0, 999))).integers(-30_000, 30_000, (n_frames, n_channels))
            counts = counts.astype(np.float64)
            for k, channel in enumerate(channels):
                if channel.rate_hz:
                    every = rate_hz / channel.rate_hz
                    rows = [place_reading(j, every) - end for j in range(count_readings(end + n_frames, every))]
                    counts[np.setdiff1d(np.arange(n_frames), rows), k] = np.nan
            items.append(Chunk(end, counts))
        else:
            items.append(Gap(end, n_frames, draw(st.sampled_from(["nothing came", "the cable was out"]))))
        end += n_frames
    frames = sorted(draw(st.lists(st.integers(0, max(0, end - 1)), max_size=6, unique=True)))
    events = []
    for k, frame in enumerate(frames):
        band = [60.0, 80.0] if k % 2 else None
        kind = "contract" if k % 2 else "passive"
        index = k % 4  # a plan may be carried out again
        about = {
            "index": index,
            "kind": kind,
            "title": "Hold",
            "band": band,
            "grace_s": 0.0,
            "duration_s": 1.0,
            "cycle": 0,
        }
        events.append(Event(frame, "phase", about))
        value = draw(st.one_of(st.none(), st.integers(0, 20).map(lambda n: n / 2)))
        events.append(Event(frame, "rating", {"value": value, "phase_index": index, "ask_id": None, "by": "import"}))
        if corrected := draw(st.integers(0, k + 1)):
            later = draw(st.integers(0, 20)) / 2
            about = {"corrects": corrected, "value": later, "phase_index": index, "by": "import"}
            events.append(Event(frame, "rating", about))
    return channels, rate_hz, items, events


def record(path: Path, session: tuple[list[Channel], float, list[Chunk | Gap], list[Event]]) -> Recording:
    channels, rate_hz, items, events = session
    about = {
        "channels": [c.to_dict() for c in channels],
        "rate_hz": rate_hz,
        "athlete": "A01",
        "started_utc": "2026-11-24T10:00:00+00:00",
    }
    with Recorder.create(path, about, threaded=False) as recorder:
        for item in items:
            recorder.append(item)
        for event in events:
            recorder.event(event)
    return open_recording(path)


def values_of(recording: Recording) -> FloatArray:
    counts = recording.counts()
    return np.column_stack([c.scaled(counts[:, k]) for k, c in enumerate(recording.channels)])


def why_missing(recording: Recording) -> dict[int, str]:
    """By frame, why it did not come, where the recording says more than that it is missing."""
    return {
        frame: gap.reason
        for gap in recording.gaps
        for frame in range(gap.first_frame, gap.end_frame)
        if gap.reason != MISSING_REASON
    }


def said(recording: Recording) -> tuple[list[Any], list[Any]]:
    """Ratings and phases as the account has them: values, corrections, whose they are."""
    account = recording.account
    ratings = [(r.frame, r.value, r.originals, r.phase_number) for r in account.ratings]
    return ratings, [(p.number, p.kind, p.title, p.first_frame, p.band) for p in account.phases]


def test_csv_gives_back_what_was_noted_of_the_wire(tmp_path: Path) -> None:
    force = Channel(name="force", kind="force", unit="N")
    items = [Chunk(0, np.zeros((50, 1))), Gap(50, 10, "silent"), Chunk(60, np.ones((40, 1)))]
    notes = [Note(0, "board 7 says: ready"), Note(60, "3 lines could not be read")]
    with Recorder.create(
        tmp_path / "a.hold", {"channels": [force.to_dict()], "rate_hz": 80.0}, threaded=False
    ) as recorder:
        for item in (*items, *notes):
            recorder.append(item)
    export_csv(open_recording(tmp_path / "a.hold"), tmp_path / "a.csv")
    write_recording(import_csv(tmp_path / "a.csv"), tmp_path / "b.hold")
    again = open_recording(tmp_path / "b.hold")
    assert again.notes == notes
    assert [(gap.first_frame, gap.n_frames, gap.reason) for gap in again.gaps] == [(50, 10, "silent")]


@given(sessions())
@settings(max_examples=25, deadline=None)
def test_csv_gives_back_every_digit_every_gap_and_every_event(
    session: tuple[list[Channel], float, list[Chunk | Gap], list[Event]],
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        before = record(Path(folder) / "a.hold", session)
        export_csv(before, Path(folder) / "a.csv")
        write_recording(import_csv(Path(folder) / "a.csv"), Path(folder) / "b.hold")
        after = open_recording(Path(folder) / "b.hold")
        assert after.rate_hz == before.rate_hz
        assert values_of(after).tobytes() == values_of(before).tobytes()
        told = [(c.name, c.kind, c.unit, c.envelope, c.rate_hz) for c in before.channels]
        assert [(c.name, c.kind, c.unit, c.envelope, c.rate_hz) for c in after.channels] == told
        assert [(e.frame, e.kind, e.data, e.utc) for e in after.events] == [
            (e.frame, e.kind, e.data, e.utc) for e in before.events
        ]
        assert why_missing(after) == why_missing(before)
        assert after.settings["athlete"] == "A01"


@pytest.mark.parametrize(("n_bits", "suffix"), [(24, "bdf"), (16, "edf")])
@example(session=([FORCE, LONG_TO_DESCRIBE], 93.75, [Gap(0, 1, "nothing came")], []))
@example(session=([FORCE], 10.0, [Chunk(0, np.array([[21037.0]]))], []))  # a record that is mostly missing frames
@given(session=sessions())
@settings(max_examples=25, deadline=None)
def test_edf_gives_back_values_within_a_step_and_gaps_and_ratings_exactly(
    n_bits: int, suffix: str, session: tuple[list[Channel], float, list[Chunk | Gap], list[Event]]
) -> None:
    need(edfio is not None, "edfio is not installed")
    with tempfile.TemporaryDirectory() as folder:
        before = record(Path(folder) / "a.hold", session)
        export_edf(before, Path(folder) / f"a.{suffix}", n_bits=n_bits)
        write_recording(import_edf(Path(folder) / f"a.{suffix}"), Path(folder) / "b.hold")
        after = open_recording(Path(folder) / "b.hold")
        assert after.rate_hz == before.rate_hz
        assert (after.settings["athlete"], after.settings["started_utc"]) == ("A01", "2026-11-24T10:00:00+00:00")
        assert after.channels == before.channels  # kind, envelope, unit, factor, offset, rails, rate: all of it
        mine, theirs = values_of(before), values_of(after)
        np.testing.assert_array_equal(np.isnan(mine), np.isnan(theirs))
        span = 60_200 * np.array([abs(c.factor) for c in before.channels])
        assert (np.nan_to_num(np.abs(mine - theirs)) <= span * 1.01 / 2 ** (n_bits - 1)).all()
        assert why_missing(after) == why_missing(before)
        assert said(after) == said(before)
        export_edf(after, Path(folder) / f"c.{suffix}", n_bits=n_bits)  # and once more: nothing wears off
        told = [[(a.onset_s, a.text) for a in list_annotations(each) if a.kind != "gap"] for each in (before, after)]
        assert told[0] == told[1]


def test_effort_survives_the_way_through_an_edf_file(tmp_path: Path) -> None:
    need(edfio is not None, "edfio is not installed")
    force = Channel(name="force left", kind="force", unit="N", factor=0.0042)
    emg = Channel(name="emg", kind="emg", unit="mV", factor=0.001)
    counts = np.random.default_rng(1).integers(-20_000, 20_000, (4000, 2)).astype(np.float64)
    zeros = {"force left": {"level": 1.25, "sd": 1e-05, "n_levels": 100}}
    maximum = {"channel": "force left", "strength": 412.345678, "baseline": -1.25, "unit": "N", "method": "attempts"}
    events = [Event(0, "zero", {"channels": zeros}), Event(100, "maximum", maximum),
              Event(100, "maximum", {**maximum, "channel": "emg", "unit": "mV"})]  # fmt: skip
    before = record(tmp_path / "a.hold", ([force, emg], 1000.0, [Chunk(0, counts)], events))
    export_edf(before, tmp_path / "a.bdf")
    imported = import_edf(tmp_path / "a.bdf")
    assert imported.remarks == ()  # the file has microvolts, and says that the channel has millivolts
    write_recording(imported, tmp_path / "b.hold")
    ours, theirs = compute_trace(before), compute_trace(open_recording(tmp_path / "b.hold"))
    np.testing.assert_allclose(theirs.percent, ours.percent, atol=1e-4)
    assert np.isfinite(ours.percent[200:, 0]).all()


def test_numpy_archive(tmp_path: Path) -> None:
    channel = Channel(name="force", kind="force", unit="N", factor=0.5)
    events = [Event(1, "rating", {"value": 6.5}), Event(2, "rating", {"value": None})]
    before = record(
        tmp_path / "a.hold", ([channel], 100.0, [Chunk(0, np.array([[2.0], [4.0]])), Gap(2, 1, "")], events)
    )
    export_numpy(before, tmp_path / "a.npz")
    with np.load(tmp_path / "a.npz") as archive:
        np.testing.assert_array_equal(archive["values"], [[1.0], [2.0], [np.nan]])
        np.testing.assert_array_equal(archive["time_s"], [0.0, 0.01, 0.02])
        np.testing.assert_array_equal(archive["ratings"], [6.5, np.nan])
        assert (archive["names"].tolist(), archive["units"].tolist()) == (["force"], ["N"])
        assert "2026-11-24" in str(archive["about"])
    export_numpy(before, tmp_path / "b.npz", anonymous=True)
    with np.load(tmp_path / "b.npz") as archive:
        assert "2026" not in str(archive["about"])


def write(path: Path, text: str, encoding: str = "utf-8") -> Path:
    path.write_text(text, encoding=encoding)
    return path


@pytest.mark.parametrize(
    "text",
    [
        "time_s,force_N,position [deg]\n0.0,1.5,2\n0.1,2.5,3\n0.2,3.5,4\n",
        "time;force (N);position (deg)\n0,0;1,5;2\n0,1;2,5;3\n0,2;3,5;4\n",
        "Time [ms]\tforce [N]\tposition [deg]\n1000\t1.5\t2\n1100\t2.5\t3\n1200\t3.5\t4\n",
        "\ufeff# made elsewhere\n\ntime force_N position_deg\n0.0 1.5 2\n0.1 2.5 3\n0.2 3.5 4\n",
    ],
)
def test_separators_decimal_commas_units_and_times(tmp_path: Path, text: str) -> None:
    imported = import_csv(write(tmp_path / "a.csv", text))
    assert imported.settings["rate_hz"] == 10.0
    channels = [Channel.from_dict(channel) for channel in imported.settings["channels"]]
    assert [(c.name, c.kind, c.unit) for c in channels] == [("force", "force", "N"), ("position", "position", "deg")]
    (chunk,) = imported.items
    assert isinstance(chunk, Chunk)
    np.testing.assert_array_equal(chunk.counts, [[1.5, 2], [2.5, 3], [3.5, 4]])
    assert imported.remarks == ()


def test_holes_ragged_rows_and_dead_channels_are_told(tmp_path: Path) -> None:
    text = "time_s,force_kgf,position_a,extra\n0.0,1,5,x\n0.1,2,5,\n0.2,,5,\n0.3,4,5\n0.5,6,5,,7\n0.6,7,5,\n"
    imported = import_csv(write(tmp_path / "a.csv", text))
    assert [(type(i).__name__, i.first_frame, i.n_frames) for i in imported.items] == [
        ("Chunk", 0, 4),
        ("Gap", 4, 1),
        ("Chunk", 5, 2),
    ]
    first = imported.items[0]
    assert isinstance(first, Chunk)
    np.testing.assert_array_equal(first.counts, [[1, 5], [2, 5], [np.nan, 5], [4, 5]])
    assert [channel.get("clock", 0) for channel in imported.settings["channels"]] == [0, 1]
    assert imported.settings["channels"][0]["unit"] == "N"
    assert imported.settings["channels"][0]["factor"] == 9.80665
    remarks = "\n".join(imported.remarks)
    assert "column extra left out: its kind is not known; write --channel" in remarks
    assert "2 rows have more or fewer cells than the header, row 4 first" in remarks
    assert "column extra" in remarks
    assert "force: 2 cells are empty, 0.20 to 0.40 s: a gap" in remarks
    assert "position_a never changes: it reads 5 throughout" in remarks


def test_times_coarser_than_the_rows(tmp_path: Path) -> None:
    rows = "".join(f"{k // 2 / 1000:.3f},{k}\n" for k in range(1000))
    imported = import_csv(write(tmp_path / "a.csv", "time_s,force_N\n" + rows))
    assert imported.settings["rate_hz"] == pytest.approx(2000, rel=0.002)
    assert [item.n_frames for item in imported.items if isinstance(item, Chunk)] == [1000]
    assert "coarser" in imported.remarks[0]


def test_an_odd_rate_over_a_long_time_makes_no_gap_and_loses_no_row(tmp_path: Path) -> None:
    """An ordinary clock is wrong by parts in a million: over an hour that is many frames, but none is missing."""
    rate_hz, n_frames = 100.0123, 200_000
    rows = "".join(f"{k / rate_hz:.4f},{k}\n" for k in range(n_frames) if k != 150_000)
    imported = import_csv(write(tmp_path / "a.csv", "time_s,force_N\n" + rows))
    assert imported.settings["rate_hz"] == pytest.approx(rate_hz, rel=1e-7)  # times have four decimals
    assert [(type(i).__name__, i.first_frame, i.n_frames) for i in imported.items] == [
        ("Chunk", 0, 150_000),
        ("Gap", 150_000, 1),
        ("Chunk", 150_001, 49_999),
    ]


def test_times_that_jump_back_are_told_and_their_rows_left_out(tmp_path: Path) -> None:
    text = "time_s,force_N\n0.0,1\n0.1,2\n0.05,3\n0.2,4\n0.3,5\n0.4,6\n0.5,7\n"
    imported = import_csv(write(tmp_path / "a.csv", text))
    assert "1 rows do not come later than the row before; they are left out, row 3 first" in imported.remarks
    assert 3.0 not in np.concatenate([item.counts for item in imported.items if isinstance(item, Chunk)])


@pytest.mark.parametrize(("lag_s", "is_even"), [(0.0, True), (1.0, True), (1.5, False)])
def test_packets_may_come_late_by_one_of_them_and_no_more(lag_s: float, is_even: bool) -> None:
    """Twenty rows a second in packets of a second, which lag more and more up to the middle and less from there."""
    packets = np.arange(200.0)
    times = np.repeat(packets + lag_s * (1 - np.abs(packets / 199 * 2 - 1)), 20)
    if is_even:
        assert place_by_times(times, "a.csv").rate_hz == pytest.approx(20.0, rel=1e-3)
        return
    with pytest.raises(RecordingError, match=r"4000 rows at 20\.00\d* Hz would last"):
        place_by_times(times, "a.csv")


@pytest.mark.parametrize(("later_s", "is_even"), [(0.0, True), (0.2, True), (0.26, False)])
def test_rows_that_slow_down_at_the_end_are_not_taken_as_even(later_s: float, is_even: bool) -> None:
    """Ten seconds at 100 rows a second with times of two digits in steps of 0.05 s; the last tenth takes longer."""
    rows = np.arange(1000)
    times_s = rows / 100 + np.where(rows > 900, (rows - 900) / 100 * later_s, 0.0)
    coarse_s = np.floor(times_s / 0.05 + 1e-9) * 0.05
    if is_even:
        assert place_by_times(coarse_s, "a.csv").rate_hz == pytest.approx(100.0, rel=0.01)
        return
    with pytest.raises(RecordingError, match=r"1000 rows at 99\.2"):
        place_by_times(coarse_s, "a.csv")


@pytest.mark.parametrize(
    ("n_rows", "n_late", "is_taken"), [(20, 1, True), (20, 2, False), (300, 3, True), (300, 4, False)]
)
def test_one_row_or_one_in_a_hundred_may_come_late(tmp_path: Path, n_rows: int, n_late: int, is_taken: bool) -> None:
    late = range(5, 5 + 4 * n_late, 4)
    rows = "".join(f"{k / 10 - 0.15 * (k in late):.2f},{k % 9}\n" for k in range(n_rows))
    path = write(tmp_path / "a.csv", "time_s,force_N\n" + rows)
    if is_taken:
        assert f"{n_late} rows do not come later" in "".join(import_csv(path).remarks)
        return
    with pytest.raises(RecordingError, match=f"{n_late} of {n_rows} rows come before their time"):
        import_csv(path)


def test_a_mapping_names_what_headers_do_not(tmp_path: Path) -> None:
    path = write(tmp_path / "a.csv", "a,b\n1,10\n2,20\n")
    imported = import_csv(path, channels={"a": "force:N*0.0042", "b": "emg:mV@envelope"}, rate_hz=50.0)
    force, emg = (Channel.from_dict(channel) for channel in imported.settings["channels"])
    assert (force.kind, force.unit, force.factor) == ("force", "N", 0.0042)
    assert (emg.kind, emg.unit, emg.envelope) == ("emg", "mV", True)
    with pytest.raises(RecordingError, match=r"has no column c; it has a, b"):
        import_csv(path, channels={"c": "force"}, rate_hz=50.0)
    with pytest.raises(RecordingError, match=r"'torque' is not understood .*; write --channel"):
        import_csv(path, channels={"a": "torque"}, rate_hz=50.0)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "has no table"),
        ("force\n", "has no table"),
        ("force\nx\n", "has no numbers"),
        ("a,b\n1,2\n", "no column is known to be force, emg or position; write --channel"),
        ("force\n1\n2\n", "has no time column; use --rate HZ"),
        ("time [beats],force\n0,1\n1,2\n", "time in 'beats' is not understood"),
        ("time,force\n1,1\n1,2\n", "its times do not advance"),
    ],
)
def test_what_cannot_be_understood_has_a_cure(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(RecordingError, match=message):
        import_csv(write(tmp_path / "a.csv", text))


def test_an_edf_that_was_cut_while_recording_is_read_by_its_size(tmp_path: Path) -> None:
    """EDF+ text, edfplus.info: the number of records is -1 only during recording."""
    need(edfio is not None, "edfio is not installed")
    channel = Channel(name="force", kind="force", unit="N")
    before = record(tmp_path / "a.hold", ([channel], 100.0, [Chunk(0, np.arange(300.0)[:, None])], []))
    export_edf(before, tmp_path / "a.edf", n_bits=16)
    content = bytearray((tmp_path / "a.edf").read_bytes())
    content[236:244] = b"-1      "
    (tmp_path / "cut.edf").write_bytes(content[:-100])
    imported = import_edf(tmp_path / "cut.edf")
    (chunk,) = imported.items
    assert isinstance(chunk, Chunk)
    np.testing.assert_allclose(chunk.counts[:, 0], np.arange(200.0), atol=0.01)
    assert any("-1" in remark for remark in imported.remarks)


def test_signals_of_another_rate_keep_it(tmp_path: Path) -> None:
    """A file by other people's writer, with names of its own."""
    pyedflib = need_module("pyedflib")
    need_module("edfio")
    path = str(tmp_path / "other.edf")
    about = {"dimension": "uV", "physical_min": -100, "physical_max": 100, "digital_min": -32768, "digital_max": 32767,
             "transducer": "", "prefilter": ""}  # fmt: skip
    rates = {"BIC": 1000, "EMG TRI": 1000, "Temp": 10}
    with pyedflib.EdfWriter(path, 3, pyedflib.FILETYPE_EDFPLUS) as file:
        file.setSignalHeaders([{"label": name, "sample_frequency": rate, **about} for name, rate in rates.items()])
        file.writeSamples([np.linspace(-50, 50, 2 * rate) for rate in rates.values()])
        file.writeAnnotation(0.5, -1, "rating 7")
    imported = import_edf(Path(path), channels={"BIC": "emg", "Temp": "position"})
    assert [channel["name"] for channel in imported.settings["channels"]] == ["BIC", "EMG TRI", "Temp"]
    assert [channel.get("rate_hz") for channel in imported.settings["channels"]] == [None, None, 10.0]
    (chunk,) = imported.items
    assert isinstance(chunk, Chunk)
    assert np.flatnonzero(np.isfinite(chunk.counts[:, 2])).tolist() == list(range(0, 2000, 100))
    assert imported.remarks == ()
    assert [(event.frame, event.kind, event.data["value"]) for event in imported.events] == [(500, "rating", 7)]
    with pytest.raises(RecordingError, match=r"has no signal BIZ; it has BIC, EMG TRI, Temp"):
        import_edf(Path(path), channels={"BIZ": "emg"})


def test_old_encodings_and_missing_files(tmp_path: Path) -> None:
    path = write(tmp_path / "a.csv", "time_s,position [µV]\n0.0,1\n0.1,2\n", encoding="latin-1")
    assert import_csv(path).settings["channels"][0]["unit"] == "µV"
    with pytest.raises(RecordingError, match=r"cannot be read .*; check the name"):
        import_csv(tmp_path / "nothing.csv")


def write_edf_by_the_text(path: Path) -> None:
    """One signal and the two example annotations, by hand from the EDF+ text (edfplus.info, 2.1.3, 2.2.2)."""
    lists = [b"+0\x14\x14\0+180\x14Lights off\x14Close door\x14\0", b"+1\x14\x14\0+1800.2\x1525.5\x14Apnea\x14\0"]
    assert len(lists[0]) - 5 == 28  # "... which is 28 bytes"
    ranges = [(b"-100", b"100"), (b"-1", b"1")], [(b"-1000", b"1000"), (b"-32768", b"32767")]
    columns = [
        (16, [b"force", b"EDF Annotations"]), (80, [b"", b""]), (8, [b"N", b""]),
        *((8, [pair[k] for pair in kind]) for kind in ranges for k in (0, 1)),
        (80, [b"", b""]), (8, [b"10", b"20"]), (32, [b"", b""]),
    ]  # fmt: skip
    fields = [(8, b"0"), (80, b"A01 X X X"), (80, b"Startdate 02-AUG-1999 X X X"), (8, b"02.08.99"), (8, b"22.33.11"),
              (8, b"768"), (44, b"EDF+C"), (8, b"2"), (8, b"1"), (4, b"2")]  # fmt: skip
    header = b"".join(text.ljust(n) for n, text in fields)
    header += b"".join(text.ljust(n) for n, texts in columns for text in texts)
    records = [
        np.arange(10 * k, 10 * k + 10, dtype="<i2").tobytes() + one.ljust(40, b"\0") for k, one in enumerate(lists)
    ]
    path.write_bytes(header + b"".join(records))


def test_a_file_laid_out_by_the_text_of_the_standard_is_understood(tmp_path: Path) -> None:
    need(edfio is not None, "edfio is not installed")
    write_edf_by_the_text(tmp_path / "a.edf")
    imported = import_edf(tmp_path / "a.edf")
    assert imported.settings["rate_hz"] == 10.0
    assert imported.settings["started_utc"] == "1999-08-02T22:33:11+00:00"
    assert imported.settings["channels"][0]["unit"] == "N"
    (chunk,) = imported.items
    assert isinstance(chunk, Chunk)
    np.testing.assert_allclose(chunk.counts[:, 0], np.arange(20) / 10, atol=1e-12)  # 2000 codes for 200 N
    told = [(event.frame, event.data["text"]) for event in imported.events]
    assert sorted(told) == [(1800, "Close door"), (1800, "Lights off"), (18_002, "Apnea")]


@pytest.mark.parametrize("content", [b"", b"0       nothing", b"\xffBIOSEMI" + bytes(300), bytes(5000)])
def test_what_is_no_edf_says_so(tmp_path: Path, content: bytes) -> None:
    need(edfio is not None, "edfio is not installed")
    (tmp_path / "a.edf").write_bytes(content)
    with pytest.raises(RecordingError, match="is not an EDF or BDF file"):
        import_edf(tmp_path / "a.edf")


@pytest.mark.parametrize(
    "sidecar",
    [
        "[1, 2]",
        '{"settings": {"athlete": "B02", "rate_hz": 999}}',
        '{"settings": {"rate_hz": 999}, "columns": [], "fields": []}',
        '{"columns": [{"name": "x"}], "events": [{"frame": 0}]}',
        '"settings columns events"',
        "{",
        "null",
    ],
)
def test_a_json_of_somebody_else_beside_a_table_means_nothing(tmp_path: Path, sidecar: str) -> None:
    text = "time_s,force_N\n0.0,1\n0.1,2\n0.2,4\n"
    alone = import_csv(write(tmp_path / "alone.csv", text))
    write(tmp_path / "a.json", sidecar)
    beside = import_csv(write(tmp_path / "a.csv", text))
    assert beside.events == ()
    assert {**beside.settings, "source": ""} == {**alone.settings, "source": ""}
    assert beside.settings["rate_hz"] == 10.0


# Exact by definition: 1 kgf = 9.80665 N (3rd CGPM 1901); 1 lbf = 0.45359237 kg (pound agreement of 1959) times that.
@pytest.mark.parametrize(
    ("header", "newton"), [("force_kgf", 9.80665), ("force_lbf", 4.4482216152605), ("force [LBF]", 4.4482216152605),
                           ("force (kgf)", 9.80665), ("force_N", 1.0)]
)  # fmt: skip
def test_kilograms_and_pounds_of_force_become_newtons(tmp_path: Path, header: str, newton: float) -> None:
    path = write(tmp_path / "a.csv", f"time_s,{header}\n0.0,10\n0.1,25\n0.2,30\n")
    imported = import_csv(path)
    channel = Channel.from_dict(imported.settings["channels"][0])
    assert channel.unit == "N"
    write_recording(imported, tmp_path / "a.hold")
    values = values_of(open_recording(tmp_path / "a.hold"))
    np.testing.assert_allclose(values[:, 0], np.array([10, 25, 30]) * newton, rtol=1e-12)


def test_a_factor_said_by_hand_is_taken_as_it_is(tmp_path: Path) -> None:
    path = write(tmp_path / "a.csv", "time_s,a\n0.0,10\n0.1,25\n")
    channel = Channel.from_dict(import_csv(path, channels={"a": "force:lbf"}).settings["channels"][0])
    assert (channel.unit, channel.factor) == ("N", 4.4482216152605)
    channel = Channel.from_dict(import_csv(path, channels={"a": "force:lbf*2"}).settings["channels"][0])
    assert (channel.unit, channel.factor) == ("lbf", 2.0)


def test_an_answer_given_with_the_last_reading_is_not_after_the_end(tmp_path: Path) -> None:
    need(edfio is not None, "edfio is not installed")
    chunk, answer = Chunk(0, np.arange(50.0)[:, None]), Event(50, "rating", {"value": 6.5, "phase_index": None})
    before = record(tmp_path / "a.hold", ([FORCE], 10.0, [chunk], [answer]))
    export_edf(before, tmp_path / "a.bdf")
    imported = import_edf(tmp_path / "a.bdf")
    assert [(event.frame, event.data["value"]) for event in imported.events if event.kind == "rating"] == [(50, 6.5)]
    assert imported.remarks == ()


def test_a_rating_given_after_a_phase_has_ended_is_not_put_into_it() -> None:
    told = [(1.0, 2.0, "phase 1 passive: Relax"), (2.0, None, "rating 6"), (3.0, None, "phase end"),
            (4.0, None, "rating 2"), (5.0, None, "rating 3, phase 1")]  # fmt: skip
    ratings = [event.data for event in parse_events(told, 10.0) if event.kind == "rating"]
    assert [(data["value"], data.get("phase_index")) for data in ratings] == [(6, 0), (2, None), (3, 0)]


def test_three_times_too_different_for_one_rate_are_refused_before_any_memory_is_taken(tmp_path):
    """Twenty-six bytes, found by a fuzzer, asked for two gigabytes."""
    path = tmp_path / "odd.csv"
    path.write_bytes(b"time,force\n0.40,1\n5.00,2\n666660632,\x1a")
    with pytest.raises(RecordingError, match="too different for one rate"):
        import_csv(path, channels={"force": "force:N"})


def make_emg(form: str, rate_hz: float) -> FloatArray:
    """20 s at rest and contracted, in microvolts, as four kinds of amplifier give it."""
    n = int(20 * rate_hz)
    swing = np.random.default_rng(8).normal(0, 1, n) * np.where((np.arange(n) // (5 * rate_hz)) % 2, 200.0, 10.0)
    window = np.ones(int(rate_hz / 4)) / int(rate_hz / 4)
    return {
        "raw": swing,
        "raw about an offset": swing + 1650.0,
        "rectified": np.abs(swing),
        "smoothed": np.convolve(np.abs(swing), window, "same"),
    }[form]


@pytest.mark.parametrize("rate_hz", [1000.0, 2000.0])
@pytest.mark.parametrize("form", ["raw", "raw about an offset", "rectified", "smoothed"])
def test_emg_that_is_smoothed_already_is_asked_about(form: str, rate_hz: float, tmp_path: Path) -> None:
    """What is an envelope must not go through the filters of raw EMG unsaid; raw about an offset is raw."""
    rows = "\n".join(f"{k / rate_hz},{value:.2f}" for k, value in enumerate(make_emg(form, rate_hz)))
    (tmp_path / "a.csv").write_text(f"time_s,emg_uV\n{rows}\n")
    told = [remark for remark in import_csv(tmp_path / "a.csv").remarks if "never goes below 0" in remark]
    assert len(told) == (0 if form.startswith("raw") else 1)
    if told:
        said = {"emg": "emg:uV@envelope"}
        assert "--channel 'emg=emg:uV@envelope'" in told[0]
        assert not import_csv(tmp_path / "a.csv", channels=said).remarks


def test_columns_about_a_force_are_no_forces(tmp_path: Path) -> None:
    """As our own table of levels has them, and others: a temperature that stands first must not lead."""
    names = ["time_s", "force_temperature", "force [N]", "force [%]", "force baseline", "force flags", "force_left_N"]
    rows = "\n".join(",".join([f"{k / 100}", *(f"{k % 7 + column}" for column in range(6))]) for k in range(500))
    (tmp_path / "a.csv").write_text(",".join(names) + "\n" + rows + "\n")
    imported = import_csv(tmp_path / "a.csv")
    assert [one["name"] for one in imported.settings["channels"]] == ["force", "force_left"]
    left_out = [remark.partition(" left out")[0] for remark in imported.remarks if "left out" in remark]
    assert left_out == [
        f"column {name}" for name in ("force_temperature", "force (2)", "force baseline", "force flags")
    ]
    said = import_csv(tmp_path / "a.csv", channels={"force flags": "force:N"})  # what is said counts
    assert [one["name"] for one in said.settings["channels"]] == ["force", "force flags", "force_left"]


def test_units_of_time_are_those_of_the_si() -> None:
    """The SI Brochure (9th edition, 2019), tables 7 and 8, as scipy.constants has them."""
    names = {
        1.0: "s sec secs second seconds",
        constants.milli: "ms msec millis milliseconds",
        constants.micro: "us \u00b5s \u03bcs usec micros microseconds",
        constants.nano: "ns",
        constants.minute: "min minutes",
        constants.hour: "h hours",
        constants.day: "days",
    }
    assert {name: scale for scale, listed in names.items() for name in listed.split()} == TIME_UNITS


@pytest.mark.parametrize(("share", "is_whole"), [(0.887, False), (0.928, True)])
def test_a_period_is_a_whole_number_only_where_that_moves_no_reading_by_half_a_frame(
    share: float, is_whole: bool
) -> None:
    """A line through steps of 10 frames, one of which is 11, is off 10 by 6 s (1 - s) frames at its end."""
    frames = 10 * np.arange(6001) + (np.arange(6001) >= 6001 * share)
    period, numbers = _fit_period(frames, np.diff(frames))
    assert (period == 10.0) is is_whole
    assert period == pytest.approx(10.0, abs=0.7 / 6000)
    assert np.array_equal(numbers, np.arange(6001))


@pytest.mark.parametrize("between", ["\n", "\n\n", "\n  \n", "\n# later\n", "\n   % later\n"])
def test_what_reads_a_table_gets_rows_alone(tmp_path: Path, between: str) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(b"time,force\n0.0,1\n0.1,2" + between.encode() + b"0.2,3\n")
    assert "".join(read_blocks(path, read_layout(path))) == "0.0,1\n0.1,2\n0.2,3\n"
