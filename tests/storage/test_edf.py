"""EDF+ and BDF+ read by two programs that nobody here wrote: pyedflib (edflib) and MNE."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from biofeedback.errors import RecordingError
from biofeedback.model import Channel, Chunk, Event, FloatArray, Gap, Note
from biofeedback.storage import edf
from biofeedback.storage.edf import choose_record, export_edf
from biofeedback.storage.edf_import import import_edf
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.recording import Recording, open_recording

from ..requirements import need
from .helpers import make_counts, make_settings, need_module

try:
    import edfio
    import pyedflib
except ImportError:
    edfio = pyedflib = None

CHANNELS = (
    Channel(name="force", kind="force", unit="N", factor=0.0042, offset_counts=120.0),
    Channel(name="emg left", kind="emg", unit="µV"),
    Channel(name="angle", kind="position", unit="deg", factor=1 / 7),
)


@pytest.fixture(autouse=True)
def readers() -> None:
    need(edfio is not None and pyedflib is not None, "edfio and pyedflib are not installed")


def record(
    path: Path, counts: FloatArray, rate_hz: float = 100.0, channels: tuple[Channel, ...] = CHANNELS
) -> Recording:
    about = {
        "channels": [channel.to_dict() for channel in channels],
        "rate_hz": rate_hz,
        "athlete": "A01",
        "started_utc": "2026-11-24T18:05:09.250+00:00",
    }
    n = len(counts)
    with Recorder.create(path, about, threaded=False, force=True) as recorder:
        recorder.event(Event(0, "phase", {"index": 0, "kind": "passive", "title": "Relax", "band": None}))
        recorder.append(Chunk(0, counts))
        recorder.event(Event(n // 2, "phase", {"index": 1, "kind": "contract", "title": "Hold", "band": [60, 80]}))
        recorder.event(Event(n // 4, "rating", {"value": 6.5, "phase_index": 0}))
        recorder.append(Note(n, "boot line"))
        recorder.append(Gap(n, 50, "nothing came"))
        recorder.event(Event(n + 25, "rating", {"value": None, "phase_index": 1}))
    return open_recording(path)


def read_with_pyedflib(path: Path) -> tuple[list[dict[str, Any]], list[FloatArray], Any, Any]:
    with pyedflib.EdfReader(str(path)) as file:
        headers = file.getSignalHeaders()
        return (
            headers,
            [file.readSignal(k) for k in range(file.signals_in_file)],
            file.readAnnotations(),
            file.getStartdatetime(),
        )


@pytest.mark.parametrize(("n_bits", "suffix"), [(24, "bdf"), (16, "edf")])
def test_pyedflib_reads_the_same_values_within_one_step(tmp_path: Path, n_bits: int, suffix: str) -> None:
    rng = np.random.default_rng(1)
    counts = np.round(rng.normal(0, 3000, (997, 3)))
    recording = record(tmp_path / "a.hold", counts)
    export_edf(recording, tmp_path / f"a.{suffix}", n_bits=n_bits)
    headers, signals, annotations, started = read_with_pyedflib(tmp_path / f"a.{suffix}")
    assert [header["label"] for header in headers] == ["force", "emg left", "angle"]
    assert [header["dimension"] for header in headers] == ["N", "uV", "deg"]
    assert [header["sample_frequency"] for header in headers] == [100, 100, 100]
    for k, channel in enumerate(CHANNELS):
        header = headers[k]
        step = (header["physical_max"] - header["physical_min"]) / (header["digital_max"] - header["digital_min"])
        np.testing.assert_allclose(signals[k][:997], channel.scaled(counts[:, k]), rtol=0, atol=step)
        np.testing.assert_allclose(signals[k][997:], header["physical_min"])  # a gap, and padding to whole records
    assert (started.year, started.month, started.hour, started.second) == (2026, 11, 18, 9)
    assert list(zip(*annotations, strict=True)) == [
        (0.0, 4.98, "phase 1 passive: Relax"),
        (2.49, -1.0, "rating 6.5, phase 1"),
        (4.98, 5.49, "phase 2 contract 60-80 %: Hold"),
        (9.97, -1.0, "note: boot line"),
        (9.97, 0.5, "gap: nothing came"),
        (10.22, -1.0, "rating none, phase 2"),
        (10.47, 0.53, "gap: end of recording"),
    ]


def test_whole_counts_are_the_codes_themselves(tmp_path: Path) -> None:
    counts = np.round(np.random.default_rng(2).uniform(-8e6, 8e6, (500, 3)))
    channels = tuple(
        Channel(name=f"c{k}", kind="force", unit=unit, factor=factor)
        for k, (unit, factor) in enumerate([("count", 1.0), ("N", 0.5), ("V", 1e-6)])
    )
    export_edf(record(tmp_path / "a.hold", counts, channels=channels), tmp_path / "a.bdf")
    with pyedflib.EdfReader(str(tmp_path / "a.bdf")) as file:
        for k in range(3):
            np.testing.assert_array_equal(file.readSignal(k, digital=True)[:500], counts[:, k])


@pytest.mark.parametrize(("n_bits", "suffix"), [(24, "bdf"), (16, "edf")])
def test_mne_reads_the_same_values_and_annotations(tmp_path: Path, n_bits: int, suffix: str) -> None:
    mne = need_module("mne")
    counts = np.round(np.random.default_rng(3).normal(0, 1000, (1000, 3)))
    export_edf(record(tmp_path / "a.hold", counts), tmp_path / f"a.{suffix}", n_bits=n_bits)
    read = mne.io.read_raw_bdf if n_bits == 24 else mne.io.read_raw_edf
    raw = read(tmp_path / f"a.{suffix}", verbose="error")
    assert raw.info["sfreq"] == 100
    values = raw.get_data("emg left")[0] * 1e6  # MNE keeps volts
    np.testing.assert_allclose(values[:1000], counts[:, 1], atol=0.31)  # one step of 16 bits; 24 bits: far below
    assert [str(text) for text in raw.annotations.description][:3] == [
        "phase 1 passive: Relax",
        "rating 6.5, phase 1",
        "phase 2 contract 60-80 %: Hold",
    ]
    np.testing.assert_allclose(raw.annotations.onset[:3], [0, 2.5, 5.0])


@pytest.mark.parametrize("rate_hz", [1000.0, 80.0, 93.75, 10.0, 1.0, 79.8312, 11.1111, 2148.1481])
def test_any_rate_keeps_its_time(tmp_path: Path, rate_hz: float) -> None:
    n_frames, record_s = choose_record(rate_hz)
    assert abs(n_frames / record_s / rate_hz - 1) * 3600 * rate_hz < 1  # less than a frame in an hour
    counts = np.arange(0, 3 * round(rate_hz) * 3, dtype=np.float64).reshape(-1, 3) * 100
    export_edf(record(tmp_path / "a.hold", counts, rate_hz), tmp_path / "a.bdf")
    headers, signals, _, _ = read_with_pyedflib(tmp_path / "a.bdf")
    assert headers[0]["sample_frequency"] == pytest.approx(rate_hz, rel=1e-6)
    np.testing.assert_allclose(signals[1][: len(counts)], counts[:, 1], atol=1e-2)


def test_header_as_the_edf_plus_text_says(tmp_path: Path) -> None:
    """Fields and their order: EDF+ full specification, edfplus.info, sections 2.1.3 and 2.2."""
    export_edf(record(tmp_path / "a.hold", np.ones((300, 3))), tmp_path / "a.edf", n_bits=16)
    content = (tmp_path / "a.edf").read_bytes()
    header = content[: 256 * 5].decode("ascii")
    assert all(32 <= ord(c) <= 126 for c in header)
    assert "," not in header
    assert header[8:88].split() == ["A01", "X", "X", "X"]
    assert header[88:168].split()[:2] == ["Startdate", "24-NOV-2026"]
    assert (header[168:176], header[176:184]) == ("24.11.26", "18.05.09")
    assert header[192:197] == "EDF+C"
    assert (int(header[184:192]), int(header[236:244]), int(header[252:256])) == (256 * 5, 4, 4)
    assert header[256 + 3 * 16 : 256 + 4 * 16].strip() == "EDF Annotations"
    transducers, units = header[256 + 16 * 4 : 256 + 96 * 4], header[256 + 96 * 4 : 256 + 104 * 4]
    assert transducers[:80].strip().startswith("force; unit N; factor 0.0042")
    assert units.split() == ["N", "uV", "deg"]
    n_bytes = 2 * sum(int(header[256 + 216 * 4 + 8 * k :][:8]) for k in range(4))
    assert content[256 * 5 + 600 :].startswith(b"+0.25\x14\x14\x00")  # the first record starts a quarter second late
    assert len(content) == 256 * 5 + 4 * n_bytes


def test_bdf_says_so_in_its_first_bytes(tmp_path: Path) -> None:
    export_edf(record(tmp_path / "a.hold", np.ones((300, 3))), tmp_path / "a.bdf")
    content = (tmp_path / "a.bdf").read_bytes()
    assert content[:8] == b"\xffBIOSEMI"  # from memory; pyedflib and MNE insist on it
    assert content[192:197] == b"BDF+C"


def test_anonymous_files_tell_neither_day_nor_notes(tmp_path: Path) -> None:
    export_edf(record(tmp_path / "a.hold", np.ones((300, 3))), tmp_path / "a.bdf", anonymous=True)
    _, _, annotations, started = read_with_pyedflib(tmp_path / "a.bdf")
    assert started.year == 1985
    assert not any("note" in text for text in annotations[2])
    assert b"2026" not in (tmp_path / "a.bdf").read_bytes()


def test_what_cannot_be_expressed_is_refused(tmp_path: Path) -> None:
    counts = np.ones((10, 3))
    counts[3, 1] = np.inf
    with pytest.raises(RecordingError, match="emg left holds infinite values; export to csv"):
        export_edf(record(tmp_path / "a.hold", counts), tmp_path / "a.bdf")
    counts[3, 1] = 1e12 + 0.5
    with pytest.raises(RecordingError, match="cannot be written in eight characters"):
        export_edf(record(tmp_path / "a.hold", counts), tmp_path / "a.bdf")


def test_without_edfio_the_cure_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "edfio", None)
    with pytest.raises(RecordingError, match=r"need the package edfio; install it: .* edfio$"):
        export_edf(record(tmp_path / "a.hold", np.ones((10, 3))), tmp_path / "a.bdf")


@given(
    factor=st.floats(0.02, 1e3),
    offset=st.integers(-10_000, 10_000).map(float),
    largest=st.sampled_from([1.0, 100.0, 40_000.0, 8_388_606.0, 2e9]),
    n_bits=st.sampled_from([16, 24]),
    is_whole=st.booleans(),
    seed=st.integers(0, 2**16),
)
@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_every_value_is_within_one_step(
    *, factor: float, offset: float, largest: float, n_bits: int, is_whole: bool, seed: int
) -> None:
    counts = np.random.default_rng(seed).uniform(-largest, largest, 200)
    counts = np.round(counts) if is_whole else counts
    counts[50:60] = np.nan
    channel = Channel(name="c", kind="force", unit="N", factor=factor, offset_counts=offset)
    values = channel.scaled(counts)
    signal_class = edfio.BdfSignal if n_bits == 24 else edfio.EdfSignal
    if np.nanmax(np.abs(values)) * 1.01 > 9_999_999.0:
        return
    signal = edf.make_signal(signal_class, counts, channel, label="c", rate_hz=100.0, n_bits=n_bits)
    low, high = signal.physical_range
    step = (high - low) / (signal.digital_range.max - signal.digital_range.min)
    is_known = ~np.isnan(counts)
    assert np.abs(signal.data - values)[is_known].max() <= step
    np.testing.assert_array_equal(signal.digital == signal.digital_range.min, ~is_known)


@pytest.mark.parametrize("simulated", [True, False])
def test_a_computed_athletes_signals_stay_computed(tmp_path: Path, simulated: bool) -> None:
    """Nobody's maximum is taken over from them later."""
    with Recorder.create(tmp_path / "a.hold", make_settings(simulated=simulated), threaded=False) as recorder:
        recorder.append(Chunk(0, make_counts(200)))
    export_edf(open_recording(tmp_path / "a.hold"), tmp_path / "a.bdf", n_bits=24)
    assert import_edf(tmp_path / "a.bdf").settings["simulated"] is simulated


@pytest.mark.parametrize(
    ("unit", "as_edf_has_it"),
    [("uV", 1.0), ("\u00b5V", 1.0), ("\u03bcV", 1.0), ("mV", 1e3), ("V", 1e6)],
)
def test_every_volt_is_so_many_microvolts(tmp_path: Path, unit: str, as_edf_has_it: float) -> None:
    """Prefixes of the SI; the micro sign and the Greek letter look alike."""
    channel = Channel(name="calf", kind="emg", unit=unit, factor=0.01)
    record(tmp_path / "a.hold", np.arange(-100.0, 100.0)[:, None], channels=(channel,))
    export_edf(open_recording(tmp_path / "a.hold"), tmp_path / "a.bdf", n_bits=24)
    (header, *_), (signal, *_), *_ = read_with_pyedflib(tmp_path / "a.bdf")
    assert header["dimension"] == "uV"
    expected = 0.01 * as_edf_has_it * np.arange(-100.0, 100.0)
    assert signal[:200] == pytest.approx(expected, rel=1e-5, abs=1e-5 * as_edf_has_it)
