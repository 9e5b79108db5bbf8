"""Variables of a MAT file: which are signals, at which rate, and what is refused before it fills the memory."""

from __future__ import annotations

import zlib
from pathlib import Path

import numpy as np
import pytest
from scipy.io import savemat

from biofeedback.errors import RecordingError
from biofeedback.model import Channel, Chunk
from biofeedback.storage import mat_import
from biofeedback.storage.mat_import import Rate, import_mat

PULL = np.arange(2000.0) % 97


def count_by_hand(path: Path) -> int:
    """Bytes of all compressed elements: 128 of head, then type 15 and a length before each (MAT-File Format)."""
    data, at, n = path.read_bytes(), 128, 0
    while at < len(data):
        kind, length = (int.from_bytes(data[at + k : at + k + 4], "little") for k in (0, 4))
        if kind == 15:
            n += len(zlib.decompress(data[at + 8 : at + 8 + length]))
        at += 8 + length
    return n


def test_what_would_not_fit_is_refused_before_it_is_unpacked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.mat"
    savemat(path, {"force": PULL, "emg": PULL[::-1], "fs": 100.0}, do_compression=True)
    n_bytes = count_by_hand(path)
    assert n_bytes > 32_000
    for piece in (100, 1 << 16):
        monkeypatch.setattr(mat_import, "PIECE_BYTES", piece)
        for limit, is_read in ((n_bytes, True), (n_bytes - 1, False), (1000, False)):
            monkeypatch.setattr(mat_import, "MOST_UNPACKED_BYTES", limit)
            if is_read:
                mat_import._refuse_inflated(path)
                continue
            with pytest.raises(RecordingError, match="MB of numbers once it is unpacked; save only the signals"):
                mat_import._refuse_inflated(path)
    monkeypatch.setattr(mat_import, "MOST_UNPACKED_BYTES", 1000)
    savemat(path, {"force": PULL}, do_compression=False)  # what is not compressed is as large as the file
    mat_import._refuse_inflated(path)


@pytest.mark.parametrize(
    ("content", "names"),
    [
        ({"__header__": 1, "a": [1.0, 2.0]}, {"a": [1.0, 2.0]}),
        ({"s": {"a": [1, 2], "t": {"b": True}}}, {"s.a": [1.0, 2.0], "s.t.b": [1.0]}),
        ({"m": np.arange(6.0).reshape(3, 2)}, {"m 1": [0.0, 2.0, 4.0], "m 2": [1.0, 3.0, 5.0]}),
        ({"m": np.arange(6.0).reshape(2, 3)}, {"m 1": [0.0, 1.0, 2.0], "m 2": [3.0, 4.0, 5.0]}),
        ({"m": np.arange(4.0).reshape(2, 2)}, {"m 1": [0.0, 2.0], "m 2": [1.0, 3.0]}),
        ({"r": np.ones((1, 3)), "c": np.ones((3, 1))}, {"r": [1.0] * 3, "c": [1.0] * 3}),
        ({"cube": np.ones((2, 2, 2)), "text": "x", "z": np.array([1j])}, {}),
        ({"cell": np.array([np.arange(2.0), "x"], dtype=object)}, {"cell 1": [0.0, 1.0]}),
        ({"cell": np.array([1.0] * mat_import.FEWEST + ["x"], dtype=object)}, {}),  # too many to be signals
        ({"s": {"cell": np.array([5.0], dtype=object)}}, {"s.cell 1": [5.0]}),
    ],
)
def test_numbers_by_name(content: dict[str, object], names: dict[str, list[float]]) -> None:
    assert {name: values.tolist() for name, values in mat_import._flatten(content)} == names


def test_a_rate_belongs_to_its_struct_and_the_nearest_counts() -> None:
    found = {
        "fs": np.array([100.0]),
        "a.Fs": np.array([200.0]),
        "a.b.sampling_rate": np.array([300.0]),
        "c.fs": np.array([0.0]),
        "d.fs": np.array([np.inf]),
        "e.fs": np.array([5.0, 6.0]),
        "a.fs": np.array([200.0]),
    }
    rates = mat_import._list_rates(Path("a.mat"), found)
    assert {owner: (rate.name, rate.hz) for owner, rate in rates.items()} == {
        "": ("fs", 100.0),
        "a.": ("a.Fs", 200.0),
        "a.b.": ("a.b.sampling_rate", 300.0),
    }
    nearest = [mat_import._own_rate(name, rates) for name in ("x", "a.x", "a.b.x", "ab.x")]
    assert nearest == [rates[""], rates["a."], rates["a.b."], rates[""]]
    assert mat_import._own_rate("x", {"a.": Rate("a.Fs", 200.0)}) is None
    with pytest.raises(RecordingError, match=r"a\.mat: fs says 100 Hz and freq 50 Hz; use --rate HZ"):
        mat_import._list_rates(Path("a.mat"), {"fs": np.array([100.0]), "freq": np.array([50.0])})


def read(path: Path, *said: str, **content: object) -> tuple[dict[str, tuple[float, int]], tuple[str, ...]]:
    """Rate and number of readings by channel, and the remarks."""
    savemat(path, content)
    imported = import_mat(path, channels=dict.fromkeys(said, "force:N"))
    channels = [Channel.from_dict(channel) for channel in imported.settings["channels"]]
    table = np.concatenate([item.counts for item in imported.items if isinstance(item, Chunk)])
    rate_hz = float(imported.settings["rate_hz"])
    told = {
        channel.name: (channel.rate_hz or rate_hz, int(np.isfinite(table[:, k]).sum()))
        for k, channel in enumerate(channels)
    }
    return told, imported.remarks


def test_a_vector_of_fewer_numbers_is_slower_or_left_out(tmp_path: Path) -> None:
    path = tmp_path / "a.mat"
    assert read(path, "a", a=PULL, fs=100.0)[0] == {"a": (100.0, 2000)}
    told, remarks = read(path, "a", "b", a=PULL, b=PULL[:200], fs=100.0)
    assert told == {"a": (100.0, 2000), "b": (10.0, 200)}
    assert "b: 200 numbers for 2000: taken as 10 Hz over the same time" in remarks
    told, remarks = read(path, "a", a=PULL, b=PULL[:1300], fs=100.0)
    assert told == {"a": (100.0, 2000)}
    assert "b left out: 1300 numbers, the others 2000" in remarks


def test_a_time_that_is_named_and_not_there_is_told(tmp_path: Path) -> None:
    savemat(tmp_path / "a.mat", {"force": PULL, "knee": PULL})
    with pytest.raises(RecordingError, match="has no vector clock; it has force, knee"):
        import_mat(tmp_path / "a.mat", time="clock")
    with pytest.raises(RecordingError, match="has no rate and no vector of times; use --rate HZ, or --time NAME"):
        import_mat(tmp_path / "a.mat")
    times = np.arange(2000.0) / 100
    times[1000:] += 0.5
    savemat(tmp_path / "b.mat", {"force": PULL, "time": times})
    with pytest.raises(RecordingError, match="readings are missing among its times; save it as a table"):
        import_mat(tmp_path / "b.mat")
