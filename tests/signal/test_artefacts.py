"""What is cut out of one effort's samples, and where it ends: made signals in which glitch, pop and hum are known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from biofeedback.signal.artefacts import EmgLook, find_jumps, look_at_emg

RATE_HZ, HOP, N_WINDOW, N_LEAD = 1000, 10, 25, 50


def muscle(seconds: float = 5.0, size: float = 10.0, seed: int = 1) -> np.ndarray:
    """Band noise 20-450 Hz of a steady contraction, RMS ``size``."""
    n = round(seconds * RATE_HZ)
    spectrum = np.fft.rfft(np.random.default_rng(seed).normal(0, 1, n))
    hz = np.fft.rfftfreq(n, 1 / RATE_HZ)
    noise = np.fft.irfft(spectrum * ((hz > 20) & (hz < 450)), n)
    return size * noise / np.std(noise)


def look(samples: np.ndarray, n_window: int = N_WINDOW) -> EmgLook:
    return look_at_emg(samples, RATE_HZ, hop=HOP, n_window=n_window, n_lead=N_LEAD, mains_hz=None)


def test_a_clean_contraction_is_left_as_it_is() -> None:
    samples = muscle()
    seen = look(samples)
    assert (seen.n_glitches, seen.spoilt.any(), seen.all_spoilt.any()) == (0, False, False)
    assert (seen.repaired == samples).all()
    assert len(seen.level) == len(seen.spoilt) == 500 - N_LEAD
    squares = np.convolve(seen.filtered**2, np.ones(250) / 250)
    assert seen.level == pytest.approx(np.sqrt(squares[500 + 9 : 5000 : 10]), rel=1e-9)
    assert seen.hum_share < 0.05
    assert seen.slow_share < 0.01


@pytest.mark.parametrize(("height", "n_found"), [(7.0, 0), (10.0, 1)])
def test_one_sample_is_a_glitch_beyond_what_muscle_makes(height: float, n_found: int) -> None:
    """Muscle stays below 7 times its RMS, away from the median of five samples; 8 is the limit."""
    samples = muscle()
    samples[2998:3003] = 0.0
    samples[3000] = height * 10.0
    seen = look(samples)
    assert seen.n_glitches == n_found
    assert seen.repaired[3000] == (0.0 if n_found else height * 10.0)
    assert (np.delete(seen.repaired, 3000) == np.delete(samples, 3000)).all()
    assert not seen.spoilt.any()
    once_more = look(seen.repaired)  # nothing is left of it in what the filters give and in the levels
    assert (once_more.n_glitches, (seen.filtered == once_more.filtered).all()) == (0, True)
    assert (seen.level == once_more.level).all()


@pytest.mark.parametrize("n_glitches", [2, 3])
def test_three_glitches_within_a_tenth_of_a_second_make_what_lies_between_unbelievable(n_glitches: int) -> None:
    samples = muscle()
    for at in range(3000, 3000 + 40 * n_glitches, 40):
        samples[at - 2 : at + 3] = 0.0
        samples[at] = 100.0
    seen = look(samples)
    assert seen.n_glitches == n_glitches
    assert seen.all_spoilt.any() == (n_glitches == 3)
    if n_glitches == 3:  # two hops at whose end the last tenth of a second holds all; 150 ms on either side
        assert np.flatnonzero(seen.all_spoilt).tolist() == list(range(308 - 15, 309 + 15 + 1))


def test_a_run_of_wild_samples_is_no_lone_glitch() -> None:
    """Repaired are its ends: the one between them has no neighbours to be told by."""
    samples = muscle()
    samples[2997:3004] = 0.0
    samples[2999:3002] = 100.0, -100.0, 100.0
    seen = look(samples)
    assert np.flatnonzero(seen.repaired != samples).tolist() == [2999, 3001]


def test_what_lies_within_a_twentieth_of_a_second_of_a_burst_is_cut_out_as_well() -> None:
    samples = muscle()
    samples[2000:2030] += 100 * np.sin(2 * np.pi * 150 * np.arange(30) / RATE_HZ)
    seen = look(samples)
    spoilt = np.flatnonzero(seen.all_spoilt)
    assert spoilt[0] == 200 - 5, "50 ms before the burst"
    assert 202 + 5 <= spoilt[-1] <= 202 + 5 + 10, "and 50 ms behind the last tenth of a second with it"
    assert (np.diff(spoilt) == 1).all()
    assert (seen.spoilt == seen.all_spoilt[N_LEAD:]).all()
    kept = seen.level[~np.isnan(seen.level)]
    assert kept.max() < 1.3 * np.median(kept), "what is left is the muscle's"


@pytest.mark.parametrize(("times", "is_cut"), [(2.0, False), (2.5, True)])
def test_a_pull_at_the_cable_is_cut_out_that_holds_as_much_power_as_the_muscle(times: float, is_cut: bool) -> None:
    """60 ms, half a sine, so many times the muscle's RMS high: what is left of it from 3 to 18 Hz, over a tenth."""
    samples = muscle()
    samples[2000:2060] += times * 10 * np.sin(np.pi * np.arange(60) / 60)
    seen = look(samples)
    assert seen.all_spoilt.any() == is_cut
    assert not seen.all_spoilt[:195].any()
    assert not seen.all_spoilt[206 + 10 + 2 * 5 :].any()


@pytest.mark.parametrize("n_window", [24, N_WINDOW])
@pytest.mark.parametrize("length_s", [0.09, 0.16])
def test_a_level_is_told_where_at_least_half_of_its_window_is_left(length_s: float, n_window: int) -> None:
    samples = muscle()
    n = round(length_s * RATE_HZ)
    samples[2000 : 2000 + n] += 150 * np.sin(2 * np.pi * 120 * np.arange(n) / RATE_HZ)
    seen = look(samples, n_window)
    n_cut = np.convolve(seen.all_spoilt, np.ones(n_window))[N_LEAD : len(seen.all_spoilt)]
    assert (np.isnan(seen.level) == (n_window - n_cut < n_window / 2)).all()
    assert np.isnan(seen.level).any()


def test_hum_and_slow_sway_are_told_by_their_share_of_the_power() -> None:
    t_s = np.arange(5000) / RATE_HZ
    hum = look(muscle() + 10 * np.sqrt(2) * np.sin(2 * np.pi * 50 * t_s))
    assert hum.hum_share == pytest.approx(0.5, abs=0.06)
    sway = look(muscle() + 10 * np.sqrt(2) * np.sin(2 * np.pi * 8 * t_s))
    assert sway.slow_share == pytest.approx(0.5, abs=0.06)


def test_filters_of_other_levels_leave_out_the_same() -> None:
    samples = muscle()
    samples[2000:2030] += 100 * np.sin(2 * np.pi * 150 * np.arange(30) / RATE_HZ)
    seen = look(samples)
    again = seen.measure_level(3 * seen.filtered)[N_LEAD:]
    assert again == pytest.approx(3 * seen.level, nan_ok=True)


@pytest.mark.parametrize(("length_s", "is_jump"), [(0.001, True), (0.03, True), (0.033, False), (0.08, False)])
def test_a_jump_of_a_force_is_narrower_than_a_twitch(length_s: float, is_jump: bool) -> None:
    force = 200 + np.random.default_rng(4).normal(0, 1, 4000)
    force[:2000] = np.linspace(0, 200, 2000) + np.random.default_rng(5).normal(0, 1, 2000)
    n = round(length_s * RATE_HZ)
    force[3001 : 3001 + n] += 60
    jumps = np.flatnonzero(find_jumps(force, RATE_HZ, HOP))
    hops = range(300, (3000 + n) // HOP + 1)
    assert jumps.tolist() == (list(hops) if is_jump else [])


@pytest.mark.parametrize(("rate_hz", "is_told"), [(50.0, False), (60.0, True)])
def test_on_a_slow_board_a_twitch_may_be_one_sample(rate_hz: float, is_told: bool) -> None:
    force = np.full(400, 100.0)
    force[:200] = np.linspace(0, 100, 200)
    force[300] += 40
    assert find_jumps(force, rate_hz, 1).any() == is_told


@pytest.mark.parametrize(("height", "is_jump"), [(0.04, False), (0.06, True)])
def test_a_jump_is_more_than_a_twentieth_of_the_range(height: float, is_jump: bool) -> None:
    force = np.concatenate((np.zeros(2000), np.full(2000, 100.0)))
    force[3000] += height * 100
    assert find_jumps(force, RATE_HZ, HOP).any() == is_jump


@pytest.mark.parametrize(("height", "is_jump"), [(6.0, False), (9.5, True)])
def test_a_jump_is_more_than_the_trembling_around_it(height: float, is_jump: bool) -> None:
    """Twelve times the usual distance from the median of 90 ms: that of this noise is 0.67 of its deviation."""
    force = np.random.default_rng(7).normal(0, 1, 6000)
    force[5000] = height
    assert find_jumps(force, RATE_HZ, HOP)[500] == is_jump


# -- what is cut out, hop by hop, as it is described and by other filters ----------------------------------------------


def cut_out(samples: np.ndarray, rate_hz: int, hop: int, n_window: int) -> tuple[np.ndarray, np.ndarray]:
    """Hops with a pull at the cable and those with a burst, both with 50 ms on either side."""

    def run(sections: np.ndarray) -> np.ndarray:
        return signal.sosfilt(sections, samples, zi=signal.sosfilt_zi(sections) * samples[0])[0]

    def mean_of_last(x: np.ndarray, n: int) -> np.ndarray:
        return np.array([x[max(0, k + 1 - n) : k + 1].mean() for k in range(len(x))])

    def and_around(found: np.ndarray) -> np.ndarray:
        n = rate_hz * 50 // 1000 // hop
        return np.array([found[max(0, k - n) : k + n + 1].any() for k in range(len(found))])

    power, slow = (
        (run(signal.butter(order, edges_hz, "bandpass", fs=rate_hz, output="sos")) ** 2).reshape(-1, hop).mean(axis=1)
        for order, edges_hz in ((4, (20.0, 450.0)), (2, (3.0, 18.0)))
    )
    windows = mean_of_last(power, n_window)
    usual = np.median(windows[windows > np.quantile(windows, 0.75) / 4])
    pulled = mean_of_last(slow, rate_hz // 10 // hop) > usual
    burst = mean_of_last(power, rate_hz * 30 // 1000 // hop) > 12 * usual
    return and_around(pulled), and_around(burst)


@pytest.mark.parametrize(("rate_hz", "hop"), [(1000, 10), (2000, 10), (2000, 20)])
@pytest.mark.parametrize(("height", "hz", "wants"), [(50.0, 8.0, (True, False)), (90.0, 150.0, (False, True))])
def test_what_is_cut_out_around_a_pull_and_a_burst(
    height: float, hz: float, wants: tuple[bool, bool], rate_hz: int, hop: int
) -> None:
    """A pull is half a sine of 8 Hz, a burst a twentieth of a second of 150 Hz; neither looks like the other."""
    n = 5 * rate_hz
    samples = np.random.default_rng(3).normal(0, 1, n)
    samples = signal.sosfiltfilt(signal.butter(2, (40.0, 400.0), "bandpass", fs=rate_hz, output="sos"), samples)
    samples *= 10 / samples.std()
    t_s = np.arange(rate_hz // 16 if hz < 20 else rate_hz // 20) / rate_hz
    samples[2 * rate_hz : 2 * rate_hz + len(t_s)] += height * np.sin(2 * np.pi * hz * t_s)
    n_window = rate_hz // 4 // hop
    pulled, burst = cut_out(samples, rate_hz, hop, n_window)
    assert (bool(pulled.any()), bool(burst.any())) == wants
    seen = look_at_emg(samples, rate_hz, hop=hop, n_window=n_window, n_lead=10, mains_hz=None)
    assert seen.n_glitches == 0
    assert np.flatnonzero(seen.all_spoilt).tolist() == np.flatnonzero(pulled | burst).tolist()
    assert (seen.spoilt == seen.all_spoilt[10:]).all()
