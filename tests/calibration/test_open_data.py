"""A real contraction that nobody here recorded: ramp-hold-ramp near 25 % (source in tests/opendata.py)."""

import numpy as np
import pytest

from biofeedback.account.values import Maximum
from biofeedback.calibration.attempts import judge_attempt
from biofeedback.calibration.effort import EffortStream
from biofeedback.calibration.zero import measure_zero
from biofeedback.model import Channel, Chunk, Levels
from biofeedback.signal.levels import LevelStream

from ..opendata import load_ramp_hold

FORCE = Channel(name="force", kind="force", unit="%")
EMG = Channel(name="emg", kind="emg", unit="uV")


@pytest.fixture(scope="module")
def hold():
    """Levels of force and one bipolar EMG lead, their rate, and force as recorded."""
    data = load_ramp_hold()
    bipolar = data.emg_microvolt[:, 12] - data.emg_microvolt[:, 14]
    stream = LevelStream([FORCE, EMG], data.rate_hz)
    levels = stream.push(Chunk(0, np.column_stack([data.force_percent, bipolar])))
    return levels, stream.level_rate_hz, data.force_percent, data.rate_hz


def judge(hold, column, channel, **options):
    """The first 26 s as if they were an attempt: the slow ramp begins within the first second."""
    levels, rate, _, _ = hold
    window = slice(0, round(26.0 * rate))
    return judge_attempt(levels.values[window, column], levels.flags[window, column], rate, channel=channel, **options)


@pytest.mark.network
def test_value_of_the_plateau_is_its_best_half_second(hold):
    _, _, force, rate = hold
    attempt = judge(hold, 0, FORCE)
    n = round(0.5 * rate)
    sums = np.concatenate(([0.0], np.cumsum(force)))
    best, baseline = np.max((sums[n:] - sums[:-n]) / n), np.mean(force[: round(rate)])
    assert attempt.accepted, attempt.reason
    assert attempt.value == pytest.approx(best - baseline, rel=0.005)
    assert attempt.duration_s == pytest.approx(np.count_nonzero(force[: 26 * round(rate)] > 14) / rate, abs=0.5)
    assert judge(hold, 0, FORCE, moving_percent=0.1).reason.startswith("before the push, rest moved by")


@pytest.mark.network
def test_effort_on_its_own_plateau_agrees_with_numpy(hold):
    levels, rate, force, frame_rate = hold
    attempt = judge(hold, 0, FORCE)
    stream = EffortStream([FORCE, EMG], rate)
    stream.set_maximum(0, Maximum(channel="force", strength=attempt.value, baseline=attempt.baseline, unit="%"))
    percent = stream.push(levels).percent[:, 0]
    plateau = np.mean(percent[round(8 * rate) : round(25 * rate)])
    expected = np.mean(force[round(8 * frame_rate) : round(25 * frame_rate)])
    assert expected == pytest.approx(25.98, abs=0.01)  # the recording's own figure
    assert plateau == pytest.approx(100 * (expected - attempt.baseline) / attempt.value, abs=0.2)


@pytest.mark.network
def test_emg_effort_follows_force_effort(hold):
    levels, rate, _, _ = hold
    attempts = [judge(hold, 0, FORCE), judge(hold, 1, EMG)]
    stream = EffortStream([FORCE, EMG], rate)
    quiet = slice(0, round(rate))
    for index, (channel, attempt) in enumerate(zip((FORCE, EMG), attempts, strict=True)):
        zero = measure_zero(levels.values[quiet, index], levels.flags[quiet, index], rate, channel=channel)
        stream.set_rest(index, zero.level, zero.sd)
        stream.set_maximum(
            index, Maximum(channel=channel.name, strength=attempt.value, baseline=attempt.baseline, unit=channel.unit)
        )
    effort = stream.push(Levels(0, levels.values, levels.flags)).percent
    n = round(rate / 2)
    blocks = effort[: len(effort) // n * n].reshape(-1, n, 2).mean(axis=1)
    assert np.corrcoef(blocks.T)[0, 1] > 0.9
    assert np.all(blocks[:, 1] >= 0)
