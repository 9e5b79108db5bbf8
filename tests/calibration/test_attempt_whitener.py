"""What of an attempt teaches the filter that makes a channel steadier, and that the attempt's value stays."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from biofeedback.account.values import Whitener
from biofeedback.calibration.attempt_values import Samples
from biofeedback.calibration.attempt_whitener import learn_whitener
from biofeedback.model import Channel, FloatArray
from biofeedback.signal.artefacts import EmgLook, look_at_emg
from biofeedback.signal.emg import band_pass

RATE_HZ, HOP, N_WINDOW, N_BEST = 1000.0, 10, 25, 50
N_LEAD, N_BASELINE, N_PUSH = 50, 100, 400  # hops
EMG = Channel(name="emg", kind="emg", unit="uV")


def noise(n: int, edge_hz: float | None, seed: int) -> FloatArray:
    """Unit-variance noise of a muscle, more at low frequencies the lower the edge; None: as even as the band."""
    hz = np.fft.rfftfreq(n, 1 / RATE_HZ)
    spectrum = np.fft.rfft(np.random.default_rng(seed).normal(size=n))
    if edge_hz is not None:
        spectrum *= np.sqrt(hz * np.exp(-hz / edge_hz))
    x = signal.sosfilt(band_pass(RATE_HZ), np.fft.irfft(spectrum, n))
    return np.asarray(x / x.std())


def attempt(*, rest: float = 1.0, push: float = 100.0, before: FloatArray | None = None) -> FloatArray:
    """Half a second and a second at rest, four of a push; ``before`` is added to what lies before the push."""
    n_before, n_push = (N_LEAD + N_BASELINE) * HOP, N_PUSH * HOP
    x = rest * noise(n_before + n_push, None, 1)
    x[n_before:] += push * noise(n_push, 25.0, 2)
    if before is not None:
        x[:n_before] += before
    return x


def look(x: FloatArray) -> EmgLook:
    return look_at_emg(x, RATE_HZ, hop=HOP, n_window=N_WINDOW, n_lead=N_LEAD, mains_hz=None)


def learn(x: FloatArray, channel: Channel = EMG) -> Whitener | None:
    return learn_whitener(look(x), Samples(x, RATE_HZ, HOP), channel, N_BASELINE, N_BEST)


def shape(whitener: Whitener | None) -> FloatArray:
    assert whitener is not None
    return np.array(whitener.coefficients) / whitener.coefficients[0]


def test_a_movement_before_the_push_teaches_nothing() -> None:
    """As strong as the push, of another colour, in the countdown."""
    moved = np.zeros((N_LEAD + N_BASELINE) * HOP)
    moved[700:950] = 90 * noise(250, 35.0, 3)
    seen = look(attempt(before=moved))
    assert (seen.level[:N_BASELINE] > 50).any()
    assert shape(learn(attempt(before=moved))) == pytest.approx(shape(learn(attempt())), abs=1e-9)


def test_rest_is_the_quietest_half_second_before_the_push() -> None:
    calm = learn(attempt())
    assert calm is not None
    moved = 20 * noise((N_LEAD + N_BASELINE) * HOP, None, 4)
    moved[740:1260] = 0
    restless = learn(attempt(before=moved))
    assert restless is not None
    assert restless.rest_excess == pytest.approx(calm.rest_excess, rel=0.3)
    always = learn(attempt(before=20 * noise((N_LEAD + N_BASELINE) * HOP, None, 4)))
    assert always is None or always.rest_excess > 20 * calm.rest_excess


def test_a_pause_in_the_push_is_no_rest() -> None:
    paused, whole = attempt(rest=4.0), attempt(rest=4.0)
    paused[3000:3900] = 0.01 * noise(900, None, 6)
    (less, calm) = (learn(x) for x in (paused, whole))
    assert less is not None
    assert calm is not None
    assert less.rest_excess == pytest.approx(calm.rest_excess, rel=0.5)


@pytest.mark.parametrize("rest", [1.0, 6.0])
def test_the_value_of_the_attempt_stays(rest: float) -> None:
    x = attempt(rest=rest)
    whitener = learn(x)
    assert whitener is not None
    seen = look(x)
    filtered = np.convolve(seen.filtered, whitener.coefficients)[: len(x)]
    level = seen.measure_level(filtered)[-N_BASELINE - N_PUSH :]
    best, before = (
        np.convolve(each[N_BASELINE:], np.ones(N_BEST) / N_BEST, "valid").max() for each in (level, seen.level)
    )
    plain = np.sqrt(before**2 - np.mean(seen.level[:N_BASELINE]) ** 2)
    quiet = slice(500, 1400)
    assert np.sqrt(best**2 - np.mean(filtered[quiet] ** 2)) == pytest.approx(plain, rel=0.003)
    added = np.mean(filtered[quiet] ** 2) - np.mean(seen.filtered[quiet] ** 2)
    assert whitener.rest_excess == pytest.approx(added, rel=0.2)
    assert whitener.plain_below == pytest.approx(0.05 * plain)
    assert whitener.whole_above == pytest.approx(0.12 * plain)


def test_it_is_in_the_unit_of_the_channel() -> None:
    x = attempt()
    sent, scaled = learn(x), learn(x, Channel(name="emg", kind="emg", unit="uV", factor=-0.5))
    assert sent is not None
    assert scaled is not None
    assert scaled.coefficients == sent.coefficients
    assert scaled.rest_excess == pytest.approx(sent.rest_excess / 4)
    assert scaled.plain_below == pytest.approx(sent.plain_below / 2)
    assert scaled.whole_above == pytest.approx(sent.whole_above / 2)


@pytest.mark.parametrize(("rest", "tells"), [(0.05, True), (6.0, False)])
def test_a_noisy_board_does_not_tell_rest_by_a_few_moments(rest: float, tells: bool) -> None:
    whitener = learn(attempt(rest=rest))
    assert whitener is not None
    assert (whitener.rest_excess < whitener.plain_below**2) == tells
    assert (whitener.release_s > 0) == tells


def test_the_level_wanders_less_by_what_is_put_on_record() -> None:
    whitener = learn(attempt())
    assert whitener is not None
    assert whitener.bandwidth_after_hz > 2 * whitener.bandwidth_before_hz
    assert whitener.independent_hz > 1.5 * whitener.plain_independent_hz > 0
