"""MAT, XDF, C3D and EDF files that other programs wrote, folders of files, and the preview."""

from __future__ import annotations

import re
import struct
import zipfile
from pathlib import Path

import numpy as np
import pytest
from scipy.io import savemat

from biofeedback.analysis.trace import compute_trace
from biofeedback.cli import main
from biofeedback.errors import RecordingError
from biofeedback.model import Channel, Chunk, Event, FloatArray, Gap
from biofeedback.storage import mat_import
from biofeedback.storage.c3d_import import import_c3d
from biofeedback.storage.edf import export_edf
from biofeedback.storage.edf_import import import_edf
from biofeedback.storage.imported import Imported, write_recording
from biofeedback.storage.mat_import import import_mat
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.recording import open_recording
from biofeedback.storage.xdf_import import import_xdf

from ..opendata import MEMBER, WHEEL, load_ramp_hold
from .helpers import need_module

PULL = np.where((np.arange(2000) >= 500) & (np.arange(2000) < 1500), 60.0, 10.0)
NOISE = np.random.default_rng(3).normal(0, 50, 20_000)


def readings(imported: Imported, name: str) -> tuple[Channel, FloatArray]:
    channels = [Channel.from_dict(channel) for channel in imported.settings["channels"]]
    k = [channel.name for channel in channels].index(name)
    values = np.concatenate([item.counts[:, k] for item in imported.items if isinstance(item, Chunk)])
    return channels[k], values[np.isfinite(values)]


@pytest.mark.parametrize("content", [
    {"fs": 1000.0, "force": PULL, "emg": NOISE},
    {"data": {"SamplingRate": 1000.0, "emg": NOISE, "force": PULL}},
    {"time": np.arange(20_000) / 1000, "emg": NOISE, "force": PULL, "remark": "a text"},
    {"t": np.arange(20_000.0) / 1000, "emg": NOISE[:, None], "force": PULL[None, :]},
])  # fmt: skip
def test_vectors_of_a_mat_file(content: dict[str, object], tmp_path: Path) -> None:
    savemat(tmp_path / "a.mat", content)
    names = ("data.force", "data.emg") if "data" in content else ("force", "emg")
    imported = import_mat(tmp_path / "a.mat", channels={names[0]: "force:N", names[1]: "emg:uV"})
    channel, values = readings(imported, names[0])
    np.testing.assert_array_equal(values, PULL)
    assert (imported.settings["rate_hz"], channel.rate_hz) == (1000.0, 100.0)
    np.testing.assert_array_equal(readings(imported, names[1])[1], NOISE)
    assert any("taken as 100 Hz over the same time" in remark for remark in imported.remarks)


@pytest.mark.parametrize("emg_first", [False, True])
def test_each_struct_of_a_mat_file_keeps_its_own_rate(emg_first: bool, tmp_path: Path) -> None:
    parts = {"pull": {"force": PULL, "fs": 100.0}, "muscle": {"emg": NOISE, "Fs": np.uint16(1000)}}
    savemat(tmp_path / "a.mat", dict(reversed(parts.items())) if emg_first else parts)
    said = {"pull.force": "force:N", "muscle.emg": "emg:uV"}
    imported = import_mat(tmp_path / "a.mat", channels=said)
    channel, values = readings(imported, "pull.force")
    np.testing.assert_array_equal(values, PULL)
    assert (imported.settings["rate_hz"], channel.rate_hz) == (1000.0, 100.0)
    np.testing.assert_array_equal(readings(imported, "muscle.emg")[1], NOISE)
    assert {"100 Hz, as pull.fs says", "1000 Hz, as muscle.Fs says"} <= set(imported.remarks)


@pytest.mark.parametrize(
    ("more", "message", "name"),
    [
        ({"t": np.arange(2000) / 100, "fs": 1000.0}, "fs says 1000 Hz, but the times in t make 100 Hz", "t"),
        ({"time": np.arange(2000) / 100, "freq": 50.0}, "freq says 50 Hz, but the times in time make 100 Hz", "time"),
        ({"time": np.arange(2000) / 100, "fs": 100.0, "freq": 50.0}, "fs says 100 Hz and freq 50 Hz", "time"),
    ],
)
def test_rates_that_contradict_the_times_are_refused_and_both_cures_work(
    more: dict[str, object], message: str, name: str, tmp_path: Path
) -> None:
    savemat(tmp_path / "a.mat", {"force": PULL, **more})
    with pytest.raises(RecordingError, match=message) as refused:
        import_mat(tmp_path / "a.mat")
    assert "use --rate HZ" in refused.value.cure
    for said in ({"rate_hz": 100.0}, {"time": name}):
        imported = import_mat(tmp_path / "a.mat", **said)  # type: ignore[arg-type]
        assert imported.settings["rate_hz"] == pytest.approx(100.0)
        np.testing.assert_array_equal(readings(imported, "force")[1], PULL)


def test_columns_of_a_matrix(tmp_path: Path) -> None:
    savemat(tmp_path / "a.mat", {"Data": np.column_stack([NOISE, np.repeat(PULL, 10)]), "short": np.arange(50.0)})
    imported = import_mat(tmp_path / "a.mat", channels={"Data 2": "force:N"}, rate_hz=1000.0)
    np.testing.assert_array_equal(readings(imported, "Data 2")[1], np.repeat(PULL, 10))
    with pytest.raises(RecordingError, match=r"has no rate and no vector of times; use --rate HZ"):
        import_mat(tmp_path / "a.mat", channels={"Data 2": "force:N"})


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ({"words": np.array(["a", "b"], dtype=object)}, "has no vector of numbers; save the signals as numbers"),
        ({"fs": 3.0}, "has no vector of numbers"),
    ],
)
def test_a_mat_file_of_texts_says_so(content: dict[str, object], message: str, tmp_path: Path) -> None:
    savemat(tmp_path / "a.mat", content)
    with pytest.raises(RecordingError, match=message):
        import_mat(tmp_path / "a.mat")
    (tmp_path / "b.mat").write_bytes(b"nothing of that kind" * 20)
    with pytest.raises(RecordingError, match="is not a MAT file"):
        import_mat(tmp_path / "b.mat")


@pytest.mark.network
def test_the_open_recording_gives_the_same_figures_by_way_of_its_mat_file(tmp_path: Path) -> None:
    """25.98 % and a CV of 1.334 %: openhdemg's own figures of its test recording (tests/opendata.py)."""
    load_ramp_hold()
    with zipfile.ZipFile(WHEEL) as archive:
        (tmp_path / "ramp.mat").write_bytes(archive.read(MEMBER))
    assert main(["convert", str(tmp_path / "ramp.mat"), "--channel", "Data 75=force:%"]) == 0
    recording = open_recording(tmp_path / "ramp.hold")
    assert recording.rate_hz == 2048.0
    force = recording.counts()[8 * 2048 : 25 * 2048, 0]
    assert force.mean() == pytest.approx(25.98, abs=0.005)
    assert 100 * force.std() / force.mean() == pytest.approx(1.3343, abs=0.0005)


def write_xdf(path: Path) -> None:
    """By the text of the format (version 1.0): chunks of a length, a tag, a content; little-endian."""

    def chunk(tag: int, content: bytes) -> bytes:
        return b"\x04" + struct.pack("<I", len(content) + 2) + struct.pack("<H", tag) + content

    def head(number: int, name: str, labels: list[tuple[str, str]], rate_hz: float, form: str) -> bytes:
        told = "".join(f"<channel><label>{label}</label><unit>{unit}</unit></channel>" for label, unit in labels)
        text = (
            f"<?xml version='1.0'?><info><name>{name}</name><channel_count>{len(labels)}</channel_count>"
            f"<nominal_srate>{rate_hz}</nominal_srate><channel_format>{form}</channel_format><source_id>1</source_id>"
            f"<desc><channels>{told}</channels></desc></info>"
        )
        return chunk(2, struct.pack("<I", number) + text.encode())

    def samples(number: int, times: FloatArray, values: FloatArray) -> bytes:
        body = b"".join(
            b"\x08" + struct.pack("<d", t) + np.asarray(row, dtype="<f8").tobytes()
            for t, row in zip(times, values, strict=True)
        )
        return chunk(3, struct.pack("<I", number) + b"\x04" + struct.pack("<I", len(times)) + body)

    def texts(number: int, said: list[tuple[float, str]]) -> bytes:
        body = b"".join(
            b"\x08" + struct.pack("<d", t) + b"\x01" + struct.pack("<B", len(text)) + text.encode() for t, text in said
        )
        return chunk(3, struct.pack("<I", number) + b"\x04" + struct.pack("<I", len(said)) + body)

    def foot(number: int) -> bytes:
        return chunk(6, struct.pack("<I", number) + b"<?xml version='1.0'?><info></info>")

    parts = [b"XDF:", chunk(1, b"<?xml version='1.0'?><info><version>1.0</version></info>")]
    parts.append(head(1, "cell", [("force", "newtons")], 100.0, "double64"))
    parts.append(head(2, "amplifier", [("emg", "microvolts")], 1000.0, "double64"))
    parts.append(head(3, "marks", [("text", "")], 0.0, "string"))
    parts.append(samples(1, 50.0 + np.arange(2000) / 100, PULL[:, None]))
    parts.append(samples(2, 50.0 + np.arange(20_000) / 1000, NOISE[:, None]))
    parts.append(texts(3, [(55.0, "phase contract 40-60 %"), (64.0, "rating 6.5"), (65.0, "phase end")]))
    path.write_bytes(b"".join([*parts, foot(1), foot(2), foot(3)]))


def test_streams_of_an_xdf_file(tmp_path: Path) -> None:
    need_module("pyxdf")
    write_xdf(tmp_path / "a.xdf")
    imported = import_xdf(tmp_path / "a.xdf")
    force, values = readings(imported, "force")
    assert (force.unit, force.rate_hz, imported.settings["rate_hz"]) == ("N", pytest.approx(100.0), pytest.approx(1000))
    np.testing.assert_array_equal(values, PULL)
    np.testing.assert_array_equal(readings(imported, "emg")[1], NOISE)
    told = [(round(event.frame / 1000, 3), event.kind) for event in imported.events if event.kind != "relaxed"]
    assert told == [(5.0, "phase"), (14.0, "rating"), (15.0, "phase")]
    (tmp_path / "b.xdf").write_bytes(b"something else")
    with pytest.raises(RecordingError, match="is not an XDF file"):
        import_xdf(tmp_path / "b.xdf")


def write_c3d(path: Path) -> None:
    """A point at 100 Hz, EMG and force at 1000, by a library of the format."""
    ezc3d = need_module("ezc3d")
    made = ezc3d.c3d()
    made["parameters"]["POINT"]["RATE"]["value"] = [100]
    made["parameters"]["POINT"]["LABELS"]["value"] = ["knee"]
    made["parameters"]["ANALOG"]["RATE"]["value"] = [1000]
    made["parameters"]["ANALOG"]["LABELS"]["value"] = ["emg vl", "force"]
    made["parameters"]["ANALOG"]["UNITS"]["value"] = ["uV", "N"]
    points = np.ones((4, 1, 2000))
    points[0, 0] = np.arange(2000)
    made["data"]["points"] = points
    made["data"]["analogs"] = np.stack([NOISE, np.repeat(PULL, 10)])[None]
    made.write(str(path))


def test_analog_channels_of_a_c3d_file(tmp_path: Path) -> None:
    write_c3d(tmp_path / "a.c3d")
    imported = import_c3d(tmp_path / "a.c3d", channels={"knee x": "position"})
    np.testing.assert_allclose(readings(imported, "force")[1], np.repeat(PULL, 10), rtol=1e-6)
    knee, values = readings(imported, "knee x")
    assert knee.rate_hz == 100.0
    np.testing.assert_array_equal(values, np.arange(2000))
    assert any("left out" in remark and "knee y" in remark for remark in imported.remarks)
    (tmp_path / "b.c3d").write_bytes(b"something else" * 100)
    with pytest.raises(RecordingError, match="is not a C3D file"):
        import_c3d(tmp_path / "b.c3d")


@pytest.mark.parametrize(
    ("times", "found"),
    [
        ((10.0, 19.0), (5.0, 14.0)),  # counted from frame 1 of the trial
        ((6.0, 14.0), (1.0, 9.0)),  # could be counted from either
        ((1.0, 4.0), (1.0, 4.0)),  # counted from the cut
        ((2.0, 24.0), (19.0,)),  # one lies before the cut
    ],
)
def test_events_of_a_c3d_file_that_was_cut(times: tuple[float, ...], found: tuple[float, ...], tmp_path: Path) -> None:
    ezc3d = need_module("ezc3d")
    write_c3d(tmp_path / "a.c3d")
    made = ezc3d.c3d(str(tmp_path / "a.c3d"))
    made["header"]["points"]["first_frame"], made["header"]["points"]["last_frame"] = 500, 2499
    made.add_parameter("EVENT", "USED", [2])
    made.add_parameter("EVENT", "LABELS", ["phase contract", "rating 6"])
    made.add_parameter("EVENT", "TIMES", np.array([[0.0, 0.0], times]))
    made.write(str(tmp_path / "b.c3d"))
    imported = import_c3d(tmp_path / "b.c3d")
    at = [event.frame / 1000 for event in imported.events if event.kind in ("phase", "rating")]
    assert at == pytest.approx(found)
    assert any("5 s into its trial" in remark for remark in imported.remarks)


def test_events_of_a_c3d_file_without_a_label_or_before_it_begins_are_none(tmp_path: Path) -> None:
    ezc3d = need_module("ezc3d")
    write_c3d(tmp_path / "a.c3d")
    made = ezc3d.c3d(str(tmp_path / "a.c3d"))
    made.add_parameter("EVENT", "USED", [4])
    made.add_parameter("EVENT", "LABELS", ["phase passive", " ", "rating 6", "phase contract"])
    made.add_parameter("EVENT", "TIMES", np.array([[0.0, 0.0, 0.0, 0.0], [-1.0, 2.0, 3.0, 4.0]]))
    made.write(str(tmp_path / "b.c3d"))
    imported = import_c3d(tmp_path / "b.c3d")
    told = [(event.frame, event.kind) for event in imported.events if event.kind in ("phase", "rating")]
    assert told == [(3000, "rating"), (4000, "phase")]


def write_paused_edf(path: Path, *, later_s: float, mark: bytes = b"EDF+D") -> None:
    """Two channels, by a library of the format; from the eleventh record on all onsets are ``later_s`` later."""
    edfio = need_module("edfio")
    signals = [
        edfio.EdfSignal(PULL, 100, label="force", physical_dimension="N", physical_range=(-100, 100)),
        edfio.EdfSignal(NOISE, 1000, label="emg", physical_dimension="uV", physical_range=(-400, 400)),
    ]
    notes = [
        edfio.EdfAnnotation(1.0, None, "room for longer onsets"),
        edfio.EdfAnnotation(14.0 + later_s, None, "rating 6"),
    ]
    edfio.Edf(signals, annotations=notes).write(path)
    whole = path.read_bytes()
    head = int(whole[184:192])
    n_signals = 2 * (100 + 1000)
    size = (len(whole) - head) // 20
    records = []
    for k in range(20):
        record = whole[head + k * size : head + (k + 1) * size]
        told = re.sub(rb"^\+\d+", b"+%s" % f"{k + later_s * (k >= 10):g}".encode(), record[n_signals:])
        records.append(record[:n_signals] + told[: size - n_signals].ljust(size - n_signals, b"\0"))
    path.write_bytes(whole[:192] + mark + whole[197:head] + b"".join(records))


@pytest.mark.parametrize("mark", [b"EDF+D", b"EDF+C"])  # as its header says, and a header that lies
def test_pauses_between_the_records_of_an_edf_file_are_gaps(mark: bytes, tmp_path: Path) -> None:
    """Kemp & Olivan 2003: each record of EDF+ says when it begins, in "D" files not always where the last ended."""
    write_paused_edf(tmp_path / "a.edf", later_s=30.0, mark=mark)
    imported = import_edf(tmp_path / "a.edf")
    assert "a pause between its records, 30 s in all: kept as gaps" in imported.remarks
    (gap,) = (item for item in imported.items if isinstance(item, Gap))
    assert (gap.first_frame, gap.n_frames, gap.reason) == (10_000, 30_000, "a pause in the file")
    chunks = [item for item in imported.items if isinstance(item, Chunk)]
    assert [(chunk.first_frame, chunk.n_frames) for chunk in chunks] == [(0, 10_000), (40_000, 10_000)]
    force, values = readings(imported, "force")
    assert force.rate_hz == 100.0
    np.testing.assert_allclose(values, PULL, atol=0.01)
    (rating,) = (event for event in imported.events if event.kind == "rating")
    assert rating.frame == 44_000


@pytest.mark.parametrize(
    ("later_s", "message"),
    [(-2.0, "before the one before it ends; write it again"), (0.505, "no whole number of readings; write its parts")],
)
def test_pauses_that_cannot_be_kept_are_refused(later_s: float, message: str, tmp_path: Path) -> None:
    write_paused_edf(tmp_path / "a.edf", later_s=later_s)
    what, cure = message.split("; ")
    with pytest.raises(RecordingError, match=what) as refused:
        import_edf(tmp_path / "a.edf")
    assert refused.value.cure.startswith(cure)


def test_annotations_outside_an_edf_file_are_left_out_told_and_damage_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Before the start, as where a file was cut, and long after the end: by a library of the format."""
    edfio = need_module("edfio")
    signal = edfio.EdfSignal(PULL, 100, label="force", physical_dimension="N", physical_range=(-100, 100))
    said = [(-3.0, "strap on"), (-2.0, "phase passive"), (5.0, "rating 3"), (99.0, "rating 4"), (1e7, "packed up")]
    annotations = [edfio.EdfAnnotation(onset, None, text) for onset, text in said]
    edfio.Edf([signal], annotations=annotations).write(tmp_path / "a.edf")
    assert main(["convert", str(tmp_path / "a.edf")]) == 0
    told = capsys.readouterr().out
    assert "note at -3.00 s is before the start: left out" in told
    assert "phase at -2.00 s is before the start: left out" in told
    assert "rating at 99.00 s is after the end, 20.00 s: left out" in told
    assert "note at 10000000.00 s is after the end" in told
    assert [one.value for one in open_recording(tmp_path / "a.hold").account.ratings] == [3.0]
    assert main(["check", str(tmp_path / "a.hold")]) == 0


def record(path: Path, channels: list[Channel], rate_hz: float, counts: FloatArray, events: list[Event]) -> None:
    about = {"channels": [c.to_dict() for c in channels], "rate_hz": rate_hz, "athlete": "A01"}
    with Recorder.create(path, about, threaded=False) as recorder:
        recorder.append(Chunk(0, counts))
        for event in events:
            recorder.event(event)


@pytest.mark.parametrize("suffix", ["bdf", "edf"])
@pytest.mark.parametrize("rate_hz", [80.0, 1000.0])
def test_an_envelope_is_one_again_and_shows_the_same_effort(suffix: str, rate_hz: float, tmp_path: Path) -> None:
    need_module("edfio")
    channel = Channel(name="emg", kind="emg", unit="mV", factor=0.001, envelope=True)
    counts = np.repeat([100.0, 600.0], int(10 * rate_hz))[:, None] + np.arange(int(20 * rate_hz))[:, None] % 3
    zero = {"emg": {"level": 0.101, "sd": 0.001, "n_levels": 100}}
    events = [Event(0, "zero", {"channels": zero}),
              Event(0, "maximum", {"channel": "emg", "strength": 1.0, "baseline": 0.101, "unit": "mV"})]  # fmt: skip
    record(tmp_path / "a.hold", [channel], rate_hz, counts, events)
    export_edf(open_recording(tmp_path / "a.hold"), tmp_path / f"a.{suffix}", n_bits=24 if suffix == "bdf" else 16)
    write_recording(import_edf(tmp_path / f"a.{suffix}"), tmp_path / "b.hold")
    before, after = (compute_trace(open_recording(tmp_path / name)) for name in ("a.hold", "b.hold"))
    assert after.channels == before.channels
    np.testing.assert_allclose(after.percent, before.percent, atol=0.01)
    assert np.nanmedian(after.percent[-100:]) == pytest.approx(50.0, abs=0.2)


def test_force_slower_than_emg_in_an_edf_file_made_elsewhere(tmp_path: Path) -> None:
    pyedflib = need_module("pyedflib")
    need_module("edfio")
    about = {"physical_min": -500, "physical_max": 500, "digital_min": -32768, "digital_max": 32767, "transducer": "",
             "prefilter": ""}  # fmt: skip
    with pyedflib.EdfWriter(str(tmp_path / "a.edf"), 3, pyedflib.FILETYPE_EDFPLUS) as file:
        heads = [("EMG", "uV", 1000), ("Force", "N", 100), ("EMG slow", "uV", 200)]
        file.setSignalHeaders([{"label": n, "dimension": u, "sample_frequency": r, **about} for n, u, r in heads])
        file.writeSamples([NOISE, PULL, NOISE[:4000]])
        file.writeAnnotation(2.0, 1.0, "phase passive")
        file.writeAnnotation(5.0, 10.0, "phase contract 20-30 %")
        file.writeAnnotation(14.0, -1, "rating 5")
    words = [
        "convert",
        str(tmp_path / "a.edf"),
        "--channel",
        "Force=force",
        "--maximum",
        "Force (N)=200",
        "--rest",
        "0-2",
    ]
    assert main(words) == 0
    trace = compute_trace(open_recording(tmp_path / "a.hold"))
    assert [channel.name for channel in trace.channels] == [
        "EMG",
        "Force",
    ]  # the slow EMG is left out, the rest is there
    force = trace.percent[:, 1]
    assert np.nanmean(force[600:1400]) == pytest.approx(25.0, abs=0.1)
    assert [(p.kind, round(p.start_s, 2), round(p.end_s, 2)) for p in trace.phases if p.kind != "end"] == [
        ("passive", 2.0, 3.0),
        ("contract", 5.0, 15.0),
    ]


def write_tables(folder: Path) -> None:
    for number in (1, 2):
        rows = "".join(
            f"{k / 100},{PULL[k] + 0.01 * (k % 7)}\n" for k in range(2000) if number == 1 or not 600 <= k < 700
        )
        (folder / f"A0{number}.csv").write_text("time_s,force_N\n" + rows)
    (folder / "A01_events.csv").write_text("onset,text\n1,rating 3\n")
    (folder / "bad.csv").write_text("a,b\n1,2\n2,3\n")


def test_a_folder_is_taken_with_one_line_per_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_tables(tmp_path)
    assert main(["convert", str(tmp_path), "--out", str(tmp_path / "made")]) == 1
    told = capsys.readouterr()
    assert "A01.csv: 2,000 rows, 100 Hz, 20 s, 0 gaps" in told.out
    assert "A02.csv: 1,900 rows, 100 Hz, 20 s, 1 gap" in told.out
    assert told.out.splitlines()[-1] == "2 of 3 files taken"
    assert "bad.csv: not taken: " in told.err
    assert sorted(path.name for path in (tmp_path / "made").iterdir()) == ["A01.hold", "A02.hold"]


def test_a_preview_shows_what_would_be_taken_and_writes_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_tables(tmp_path)
    before = sorted(tmp_path.iterdir())
    assert main(["convert", str(tmp_path / "A02.csv"), "--preview"]) == 0
    told = capsys.readouterr().out
    assert "A02.csv: 1,900 rows, 100 Hz, 20 s, 1 gap" in told
    assert "force    force  N     1,900     100 Hz  10      60.06    10, 10.01, 10.02" in told
    assert "time_s" not in told or "first rows:" in told
    assert "note: force: 100 cells are empty, 6.00 to 6.99 s: a gap" in told
    assert "Nothing was written" in told
    assert len(told.splitlines()) <= 24
    assert sorted(tmp_path.iterdir()) == before


def test_a_maximum_without_a_rest_says_that_zero_is_assumed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_tables(tmp_path)
    assert main(["convert", str(tmp_path / "A01.csv"), "--maximum", "force (N)=200"]) == 0
    assert "zero is taken as 0: without --rest" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("events", "message"),
    [
        ("onset,duration,text\n2,5,phase passive\n4,2,phase contract 10-20 %", "7.00 s, the next begins at 4.00 s"),
        ("onset,duration,text\n25,2,phase passive", "phase at 25.00 s is after the end, 20.00 s; check its time"),
        ("onset,duration,text\n21,,rating 3", "rating at 21.00 s is after the end"),
        ("onset,duration,text\n-1,,rating 3", "-1 is not a time in the recording"),
    ],
)  # fmt: skip
def test_annotations_that_cannot_be_end_in_one_line(
    events: str, message: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_tables(tmp_path)
    (tmp_path / "events.csv").write_text(events)
    assert main(["convert", str(tmp_path / "A01.csv"), "--events", str(tmp_path / "events.csv")]) == 1
    (line,) = capsys.readouterr().err.splitlines()
    assert message in line
    assert not (tmp_path / "A01.hold").exists()


def test_a_phase_ends_when_its_duration_is_over(tmp_path: Path) -> None:
    write_tables(tmp_path)
    (tmp_path / "events.csv").write_text(
        "onset,duration,text\n1,2,phase passive\n5,4,phase contract 10-20 %\n8,,rating 4\n"
    )
    assert main(["convert", str(tmp_path / "A01.csv"), "--events", str(tmp_path / "events.csv")]) == 0
    trace = compute_trace(open_recording(tmp_path / "A01.hold"))
    assert [(p.start_s, p.end_s) for p in trace.phases if p.kind != "end"] == [(1.0, 3.0), (5.0, 9.0)]


def test_one_table_of_events_for_a_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_tables(tmp_path)
    (tmp_path / "bad.csv").unlink()
    events = tmp_path / "all" / "told.csv"
    events.parent.mkdir()
    events.write_text(
        "file,onset,duration,text\nA01.csv,1,,rating 3\nA02,2,,rating 5\nA02.csv,4,,rating 6\nA09,1,,rating 9\n"
    )
    assert main(["convert", str(tmp_path), "--events", str(events)]) == 0
    assert "A01.csv: 2,000 rows, 100 Hz, 20 s, 0 gaps, athlete A01" in capsys.readouterr().out
    said = [[one.value for one in open_recording(tmp_path / f"{code}.hold").account.ratings] for code in ("A01", "A02")]
    assert said == [[3.0], [5.0, 6.0]]
    assert open_recording(tmp_path / "A02.hold").settings["athlete"] == "A02"


def test_a_compressed_file_that_unpacks_without_end_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """1.5 kB that are 1 MB, as a bomb has 1.5 MB that are gigabytes; what fits is read, by SciPy's own writing."""
    path = tmp_path / "bomb.mat"
    savemat(path, {"force": np.zeros(2**17), "fs": 80.0}, do_compression=True)
    assert path.stat().st_size < 5000
    assert len(readings(import_mat(path), "force")[1]) == 2**17
    monkeypatch.setattr(mat_import, "MOST_UNPACKED_BYTES", 2**19)
    monkeypatch.setattr(mat_import, "PIECE_BYTES", 2**10)
    with pytest.raises(RecordingError, match="MB of numbers once it is unpacked"):
        import_mat(path)


def write_streams(path: Path, times: FloatArray, values: FloatArray, *, with_emg: bool = True) -> None:
    """A stream of force at 100 Hz beside EMG at 1000 Hz, by the text of the format (version 1.0)."""

    def chunk(tag: int, content: bytes) -> bytes:
        return b"\x04" + struct.pack("<IH", len(content) + 2, tag) + content

    def stream(number: int, label: str, rate_hz: float, at: FloatArray, read: FloatArray) -> bytes:
        text = (
            f"<?xml version='1.0'?><info><name>{label}</name><channel_count>1</channel_count><nominal_srate>{rate_hz}"
            "</nominal_srate><channel_format>double64</channel_format></info>"
        )
        rows = b"".join(b"\x08" + struct.pack("<dd", *row) for row in zip(at, read, strict=True))
        foot = chunk(6, struct.pack("<I", number) + b"<?xml version='1.0'?><info></info>")
        head = chunk(2, struct.pack("<I", number) + text.encode())
        return head + chunk(3, struct.pack("<IBI", number, 4, len(at)) + rows) + foot

    begin = b"XDF:" + chunk(1, b"<?xml version='1.0'?><info><version>1.0</version></info>")
    emg = stream(2, "emg", 1000.0, 50 + np.arange(len(NOISE)) / 1000, NOISE) if with_emg else b""
    path.write_bytes(begin + stream(1, "force", 100.0, times, values) + emg)


def test_what_a_stream_lost_is_a_gap_and_moves_nothing(tmp_path: Path) -> None:
    """Three seconds without readings, with some jitter on the others: no line is drawn through both sides."""
    need_module("pyxdf")
    times = np.arange(2000) / 100
    is_there = (times < 8) | (times >= 11)
    jitter = np.random.default_rng(5).normal(0, 0.0003, 2000)
    write_streams(tmp_path / "a.xdf", 50 + (times + jitter)[is_there], PULL[is_there])
    imported = import_xdf(tmp_path / "a.xdf")
    channels = [Channel.from_dict(one) for one in imported.settings["channels"]]
    k = [channel.name for channel in channels].index("force")
    column = np.concatenate([item.counts[:, k] for item in imported.items if isinstance(item, Chunk)])
    frames = np.flatnonzero(np.isfinite(column))
    np.testing.assert_allclose(column[frames], PULL[is_there])
    np.testing.assert_allclose(frames / 1000, times[is_there], atol=0.011)
    assert channels[k].rate_hz == pytest.approx(100, rel=1e-3)
    assert any(remark.startswith("force: 300 readings are missing, 8.0") for remark in imported.remarks)


def test_the_only_stream_that_cannot_be_used_says_why(tmp_path: Path) -> None:
    need_module("pyxdf")
    times = np.cumsum(np.random.default_rng(6).exponential(0.1, 300))
    write_streams(tmp_path / "a.xdf", times, times, with_emg=False)
    with pytest.raises(RecordingError, match=r"stream force left out: .* rows") as refused:
        import_xdf(tmp_path / "a.xdf")
    assert "--rate" not in str(refused.value)  # which is for tables
