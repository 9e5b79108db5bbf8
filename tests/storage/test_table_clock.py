"""The times of a table, judged: every border of what is taken, told or refused, on times made by hand."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from biofeedback.errors import RecordingError
from biofeedback.storage import csv_import
from biofeedback.storage.table_clock import (
    MOST_LOST,
    place_by_times,
    read_time_numbers,
    unwrap,
)
from biofeedback.storage.table_moments import read_clock_texts

CURE = "use --rate HZ if the rows are evenly spaced: then the times are not used"
UNIT_CURE = "use --time-unit s, ms, us, min or days, or --rate HZ and the times are not used"


def every(step: float, n: int = 50, first: float = 0.0) -> np.ndarray:
    return first + step * np.arange(float(n))


@pytest.mark.parametrize(
    ("raw", "unit", "said", "name", "last_s"),
    [
        (every(0.01), "", None, "s", 0.49),
        (every(10.0), "", None, "ms", 0.49),
        (every(10_000.0), "", None, "us", 0.49),
        (every(1e7), "", None, "ns", 0.49),
        (every(1.0), "ms", None, "ms", 0.049),
        (every(1.0), " Seconds ", None, "seconds", 49.0),
        (every(1.0), "min", "s", "s", 49.0),  # what is said goes before what the header has
        (every(1.0), "", "days", "days", 49 * 86400.0),
        (every(5.0, first=100.0), "s", None, "s", 245.0),  # 0.2 Hz
        (every(20.0), "us", None, "us", 0.00098),  # 50,000 Hz
        (every(0.19), "", None, "s", 9.31),  # 5.3 Hz; in milliseconds it would be more than usual
        (every(0.0002), "", None, "s", 0.0098),  # 5000 Hz
        (every(0.01 / 3600), "", None, "h", 0.49),  # 100 Hz; 6000 Hz or 4 Hz in the units beside it
        (every(0.01 / 86400, first=45_000.0), "", None, "days", 0.49),  # a spreadsheet's days since 1900
    ],
)
def test_numbers_become_seconds_in_the_unit_that_makes_sense(raw, unit, said, name, last_s) -> None:
    times = read_time_numbers(raw, unit, said, "a.csv")
    assert times.unit == name
    assert times.time_s[0] == 0.0
    assert times.time_s[-1] == pytest.approx(last_s, rel=1e-3)
    assert times.started_utc == ""
    assert len(times.told) == (not unit and said is None and name != "s")


def test_a_unit_that_was_guessed_is_told_with_its_rate() -> None:
    (told,) = read_time_numbers(every(10.0), "", None, "a.csv").told
    assert told == "times without a unit are read as ms, which makes 100 Hz"


@pytest.mark.parametrize(("scale", "unit"), [(1.0, "s"), (1e3, "ms"), (1e6, "us")])
def test_times_counted_from_1970_are_dated_whatever_their_unit(scale: float, unit: str) -> None:
    times = read_time_numbers(every(0.5 * scale, first=1_767_225_600.0 * scale), "", None, "a.csv")
    assert (times.unit, times.started_utc) == (unit, "2026-01-01T00:00:00+00:00")
    assert times.told[-1] == "times are counted from 1970: the first is 2026-01-01T00:00:00+00:00"
    assert times.time_s[-1] == pytest.approx(24.5, abs=1e-3)


@pytest.mark.parametrize(
    ("raw", "unit", "said", "told"),
    [
        ([np.nan, 1.0, np.inf], "", None, f"a.csv holds no times; {CURE}"),
        ([1.0, 1.0, 1.0], "", None, f"a.csv: its times do not advance; {CURE}"),
        ([3.0, 2.0, 1.0], "s", None, "a.csv: its times run backwards; sort its rows by time, the earliest first"),
        (every(1.0), "fortnight", None, f"a.csv: time in 'fortnight' is not understood; {UNIT_CURE}"),
        (every(1.0), "ns", None, f"a.csv: in ns they would be 1e+09 readings a second; {UNIT_CURE}"),
        (every(1.0), "h", None, f"a.csv: in h they would be 0.0002778 readings a second; {UNIT_CURE}"),
        (every(1.0), "", None, f"a.csv names no unit and steps by 1: 1 Hz in s, 1000 Hz in ms; {UNIT_CURE}"),
        (every(1e-9), "", None, f"a.csv names no unit and steps by 1e-09: no usual rate; {UNIT_CURE}"),
        (
            every(1 / 60_000),
            "",
            None,
            f"a.csv names no unit and steps by 1.66667e-05: 1000 Hz in min, 16.667 Hz in h; {UNIT_CURE}",
        ),
        (every(0.2), "", None, f"a.csv names no unit and steps by 0.2: 5 Hz in s, 5000 Hz in ms; {UNIT_CURE}"),
    ],
)
def test_what_makes_no_sense_or_could_be_two_is_refused_with_the_cure(raw, unit, said, told) -> None:
    with pytest.raises(RecordingError) as refused:
        read_time_numbers(np.array(raw), unit, said, "a.csv")
    assert str(refused.value) == told


def test_the_step_of_rows_that_share_times_is_their_mean() -> None:
    """Ten rows every 0.1 s: 100 a second, and not 10."""
    (told,) = read_time_numbers(np.repeat(every(100.0), 10), "", None, "a.csv").told
    assert "read as ms" in told
    assert 100 < float(told.split("makes ")[1].split()[0]) < 103


@pytest.mark.parametrize("wrap", [2.0**16, 2.0**24, 2.0**31, 2.0**32])
def test_a_counter_that_is_full_goes_on(wrap: float) -> None:
    true = every(wrap / 20, 70, first=wrap / 40)
    told: list[str] = []
    np.testing.assert_allclose(unwrap(true % wrap, told), true)
    assert told == [f"times begin again after {wrap:.0f}, 3 times: they go on"]
    told.clear()
    jump = true % wrap
    jump[30:] -= 1.5 * wrap  # no counter does that
    assert unwrap(jump, told) is jump
    assert told == []
    assert unwrap(true, told) is true


def test_a_counter_that_is_full_may_be_five_steps_late_and_no_more() -> None:
    for late, goes_on in ((5, True), (6, False)):
        true = np.concatenate([every(1000.0, 60, first=5536.0), every(1000.0, 9, first=5536.0 + 59_000 + 1000 * late)])
        assert bool(np.all(np.diff(unwrap(true % 65536, [])) > 0)) is goes_on


def test_even_times_are_frames_one_after_the_other() -> None:
    placing = place_by_times(every(0.01, 200, first=3.0), "a.csv")
    assert (placing.rate_hz, placing.first_s, placing.told) == (100.0, 3.0, ())
    np.testing.assert_array_equal(placing.frames, np.arange(200))


@pytest.mark.parametrize("n_lost", [1, 2, 7])
def test_a_longer_step_is_lost_rows(n_lost: int) -> None:
    times = every(0.01, 200)
    times[120:] += n_lost * 0.01
    placing = place_by_times(times, "a.csv")
    assert placing.rate_hz == pytest.approx(100.0)
    np.testing.assert_array_equal(np.diff(placing.frames), np.where(np.arange(199) == 119, 1 + n_lost, 1))


@pytest.mark.parametrize(("share", "n_frames"), [(1.74, 1), (1.76, 2), (2.4, 2), (2.6, 3)])
def test_a_step_of_one_and_three_quarters_is_two(share: float, n_frames: int) -> None:
    times = every(0.01, 400)
    times[200:] += (share - 1) * 0.01
    assert np.diff(place_by_times(times, "a.csv").frames)[199] == n_frames


def test_rows_of_unknown_time_lie_between_their_neighbours() -> None:
    times = every(0.01, 100)
    times[[0, 40, 41, 99]] = np.nan
    placing = place_by_times(times, "a.csv")
    assert placing.rate_hz == pytest.approx(100.0, rel=0.02)
    assert len(placing.frames) == 100


def test_a_row_of_the_time_of_the_row_before_is_left_out() -> None:
    times = every(0.01, 100)
    times[50] = times[49]
    times[80] = times[79]
    times[90:] += 0.01
    placing = place_by_times(times, "a.csv", written_s=0.0001)
    assert placing.told == ("2 rows have the time of the row before: they are left out",)
    assert np.flatnonzero(placing.frames < 0).tolist() == [50, 80]
    assert placing.frames[[49, 51, 52]].tolist() == [49, 51, 52]
    assert placing.rate_hz == pytest.approx(100.0)


def test_a_row_that_comes_before_its_time_is_left_out_and_told() -> None:
    times = every(0.01, 300)
    times[[70, 200]] -= 0.05
    placing = place_by_times(times, "a.csv")
    assert placing.told == ("2 rows do not come later than the row before; they are left out, row 71 first",)
    assert np.flatnonzero(placing.frames < 0).tolist() == [70, 200]
    assert placing.frames[[69, 71]].tolist() == [69, 71]
    with pytest.raises(RecordingError) as refused:
        place_by_times(np.concatenate([every(0.01, 100), every(0.01, 100)]), "a.csv")
    assert str(refused.value) == (
        "a.csv: its times jump back from 0.99 to 0 s at row 101; 99 of 200 rows come before their time; "
        f"cut the file there, or {CURE}"
    )


@pytest.mark.parametrize(
    ("times", "told"),
    [
        ([3.0, 2.0, 1.0], "a.csv: its times run backwards; sort its rows by time, the earliest first"),
        ([1.0, 1.0], f"a.csv: its times do not advance; {CURE}"),
        ([np.nan, 1.0], f"a.csv: its times do not advance; {CURE}"),
        ([np.nan, np.nan], f"a.csv: its times do not advance; {CURE}"),
    ],
)
def test_times_that_are_none_are_refused(times: list[float], told: str) -> None:
    with pytest.raises(RecordingError) as refused:
        place_by_times(np.array(times), "a.csv")
    assert str(refused.value) == told


def test_a_pause_that_would_fill_the_memory_is_a_mistaken_time() -> None:
    n, limit = 100, MOST_LOST[0] + MOST_LOST[1] * 100
    for lost, is_taken in ((limit, True), (limit + 10, False)):
        times = every(1.0, n)
        times[50:] += lost
        if is_taken:
            assert place_by_times(times, "a.csv").frames[-1] == n - 1 + lost
            continue
        with pytest.raises(RecordingError) as refused:
            place_by_times(times, "a.csv")
        assert str(refused.value) == (
            f"a.csv: {lost + 1:.6g} s pass after row 50: {lost + 1:.0f} readings would be missing; "
            f"cut the file there, or {CURE}"
        )


def test_uneven_rows_are_told_from_a_scatter_of_a_twentieth_on() -> None:
    for scatter, is_told in ((0.045, False), (0.055, True)):
        steps = 0.01 * (1 + scatter * np.tile([1.0, -1.0], 200))
        placing = place_by_times(np.concatenate([[0.0], np.cumsum(steps)]), "a.csv")
        assert placing.rate_hz == pytest.approx(100.0)
        assert len(placing.told) == is_told
    assert placing.told[0] == "rows are not evenly spaced: 9.45 to 10.6 ms apart, taken as even at 100 Hz"


def test_rows_of_two_spacings_have_no_rate() -> None:
    """A third of the steps is a tenth as long as the others: no period fits both."""
    steps = np.tile([1.0, 1.0, 0.01], 60) / 100
    placing = place_by_times(np.concatenate([[0.0], np.cumsum(steps)]), "a.csv")
    assert placing.rate_hz == pytest.approx(1 / 0.0067, rel=0.01)
    steps = np.concatenate([np.full(40, 0.004), np.full(60, 0.001), np.full(80, 0.01)])
    with pytest.raises(RecordingError, match=r"rows are|between rows"):
        place_by_times(np.concatenate([[0.0], np.cumsum(steps)]), "a.csv")


@pytest.mark.parametrize("rate_hz", [1024.0, 1926.0, 333.0, 60.0])
def test_times_rounded_to_milliseconds_keep_their_rate(rate_hz: float) -> None:
    n = 5000
    true = np.arange(n) / rate_hz
    placing = place_by_times(np.round(true, 3), "a.csv", written_s=0.001)
    assert placing.rate_hz == pytest.approx(rate_hz, rel=2e-3)
    np.testing.assert_array_equal(placing.frames, np.arange(n))


def test_rounded_times_with_a_pause_keep_the_pause() -> None:
    true = np.arange(4000) / 1024
    true[2000:] += 10 / 1024
    placing = place_by_times(np.round(true, 3), "a.csv", written_s=0.001)
    (told,) = placing.told
    assert told == "its times are rounded to 1 ms: its rows are taken as even at 1024 Hz"
    assert placing.rate_hz == 1024.0
    assert np.flatnonzero(np.diff(placing.frames) > 1).tolist() == [1999]
    assert np.diff(placing.frames)[1999] == 11


def test_rows_that_came_in_packets_are_taken_as_even() -> None:
    times = np.repeat(every(0.1, 100, first=2.0), 10)
    placing = place_by_times(times, "a.csv")
    assert placing.rate_hz == pytest.approx(100.0, rel=1e-3)
    assert placing.first_s == 2.0
    assert placing.told[0].startswith("its times are coarser than its rows: taken as even at ")
    assert placing.told[0].endswith(" Hz, their mean; gaps cannot be seen; --rate HZ says better")
    bursts = np.concatenate([k * 0.1 + np.arange(10) * 0.0001 for k in range(100)])
    placing = place_by_times(bursts, "a.csv")
    assert placing.told[0].startswith("its rows came in packets: taken as even at ")
    assert placing.rate_hz == pytest.approx(100.0, rel=1e-2)
    np.testing.assert_array_equal(placing.frames, np.arange(1000))


def test_packets_of_which_some_are_missing_are_refused() -> None:
    seconds = np.concatenate([np.arange(100), np.arange(106, 206)]) * 0.1
    with pytest.raises(RecordingError, match=r"rows came in packets, and 0\.7 s are missing among them|would last"):
        place_by_times(np.repeat(seconds, 10), "a.csv")
    with pytest.raises(RecordingError, match="too few different times to tell a rate"):
        place_by_times(np.array([0.0, 0.0, 0.0, 0.0, 1.0]), "a.csv")


@pytest.mark.parametrize(
    ("texts", "seconds", "started", "told"),
    [
        (["18:00:00", "18:00:01.5", "x", ""], [0.0, 1.5], "", []),
        (["23:59:59", "00:00:00", "12:00:00"], [0.0, 1.0, 43_201.0], "", []),
        (["11:59:59 pm", "12:00:01 AM"], [0.0, 2.0], "", []),
        (["12:00:00 am", "12:00:00 pm"], [0.0, 43_200.0], "", []),
        (["00:10", "00:12", "01:00"], [0.0, 2.0, 50.0], "", ["times are read as minutes and seconds"]),
        (["59:59.5", "60:01"], [0.0, 1.5], "", ["times are read as minutes and seconds"]),
        (
            ["2026-01-31T23:59:58Z", "2026-02-01T00:00:00Z"],
            [0.0, 2.0],
            "2026-01-31T23:59:58+00:00",
            [],
        ),
        (
            ["2026-01-31 23:59:58+02:30", "2026-01-31 23:00:00+01:30"],
            [0.0, 2.0],
            "2026-01-31T21:29:58+00:00",
            [],
        ),
        (["2026/01/31 10:00:00-0100", "2026/01/31 11:00:01+0000"], [0.0, 1.0], None, []),
        (["31.01.2026 23:59:59", "01.02.2026 00:00:01"], [0.0, 2.0], "", []),
    ],
)
def test_times_of_day_become_seconds(texts, seconds, started, told) -> None:
    times = read_clock_texts(texts, "a.csv")
    found = times.time_s[np.isfinite(times.time_s)]
    np.testing.assert_allclose(found - found[0], seconds, atol=1e-9)
    assert 0 <= found[0] < 86_400
    assert times.unit == "s"
    if started is not None:
        assert times.started_utc == started
    assert times.told == told


def test_times_of_day_that_are_none_and_zones_that_change_are_refused() -> None:
    with pytest.raises(RecordingError) as refused:
        read_clock_texts(["x", ""], "a.csv")
    assert str(refused.value) == f"a.csv holds no times; {CURE}"
    with pytest.raises(RecordingError, match=r"a.csv: the time zone changes on the way \(CEST, CET\)"):
        read_clock_texts(["2026-10-25 02:59:59 CEST", "2026-10-25 02:00:00 CET"], "a.csv")


@pytest.mark.parametrize(
    ("cells", "finest"),
    [
        (["0", "1", "2"], 1.0),
        (["0.5", "1", "1.5"], 0.1),
        (["0,001", "0,002"], 0.001),
        (["18:00:00.25", "x"], 0.01),
        (["1e-3", "2"], 0.0),
        ([], 1.0),
    ],
)
def test_the_finest_digit_in_which_times_are_written(cells: list[str], finest: float) -> None:
    layout = SimpleNamespace(sample=[["5", cell] for cell in cells] + [["5"]])
    assert csv_import._find_written(layout, 1) == pytest.approx(finest)  # type: ignore[arg-type]
