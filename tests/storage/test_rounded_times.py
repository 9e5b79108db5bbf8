"""Times written in steps about as long as those between rows: 1024 Hz in milliseconds, 98.5 Hz in hundredths."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from biofeedback.model import Chunk, Gap
from biofeedback.storage.csv_import import import_csv


@pytest.mark.parametrize(
    ("rate_hz", "digits"), [(1024.0, 3), (1001.0, 3), (1100.0, 3), (990.0, 3), (999.0, 3), (102.4, 2), (98.5, 2)]
)
def test_times_rounded_to_about_a_step_lose_no_row_and_make_no_gap(rate_hz: float, digits: int, tmp_path: Path) -> None:
    """1024 readings a second, told in milliseconds: 24 rows share a time each second, and none is the other's copy."""
    n = int(20 * rate_hz)
    values = np.random.default_rng(3).normal(0, 50, n).round(3)
    rows = "\n".join(f"{k / rate_hz:.{digits}f},{value}" for k, value in enumerate(values))
    (tmp_path / "a.csv").write_text(f"time_s,force_N\n{rows}\n")
    imported = import_csv(tmp_path / "a.csv")
    assert imported.settings["rate_hz"] == pytest.approx(rate_hz, rel=1e-4)
    (chunk,) = (item for item in imported.items if isinstance(item, Chunk))
    np.testing.assert_array_equal(chunk.counts[:, 0], values)
    assert any("its times are rounded to" in remark for remark in imported.remarks)


def test_a_pause_among_rounded_times_stays_a_gap(tmp_path: Path) -> None:
    times = np.arange(20_480) / 1024
    is_there = (times < 8) | (times >= 11)
    rows = "\n".join(f"{time:.3f},{k % 90}" for k, time in enumerate(times) if is_there[k])
    (tmp_path / "a.csv").write_text(f"time_s,force_N\n{rows}\n")
    imported = import_csv(tmp_path / "a.csv")
    (gap,) = (item for item in imported.items if isinstance(item, Gap))
    assert (gap.first_frame, gap.n_frames) == (8192, pytest.approx(3072, abs=1))


def test_lost_rows_among_times_with_more_digits_stay_lost(tmp_path: Path) -> None:
    """Every ninety-seventh row is missing, and the times say so: rounding makes no 20 ms among steps of 10.0 ms."""
    rows = "\n".join(f"{k / 100:.3f},{k % 90}" for k in range(3000) if k % 97)
    (tmp_path / "a.csv").write_text(f"time_s,force_N\n{rows}\n")
    imported = import_csv(tmp_path / "a.csv")
    assert imported.settings["rate_hz"] == 100.0
    assert sum(isinstance(item, Gap) for item in imported.items) == 30
