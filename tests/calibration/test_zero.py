import numpy as np
import pytest

from biofeedback.account.values import Zero
from biofeedback.calibration.zero import measure_zero
from biofeedback.errors import CalibrationError
from biofeedback.model import Channel, Flag

FORCE = Channel(name="force", kind="force", unit="N")
EMG = Channel(name="emg", kind="emg", unit="uV")
RATE = 100.0


def flags_for(levels):
    return np.zeros(len(levels), np.uint16)


def test_still_signal_gives_mean_and_sd():
    levels = np.random.default_rng(1).normal(12.0, 0.5, 200)
    zero = measure_zero(levels, flags_for(levels), RATE, channel=FORCE)
    assert zero == Zero(float(np.mean(levels)), float(np.std(levels, ddof=1)), 200)
    assert Zero.from_dict(zero.to_dict()) == zero


@pytest.mark.parametrize(("moved_newton", "is_accepted"), [(4.9, True), (5.1, False)])
def test_force_may_move_by_five_newton(moved_newton, is_accepted):
    levels = np.repeat(np.linspace(0.0, moved_newton, 8), 25)  # eight quarter-seconds: their means span it exactly
    if is_accepted:
        assert measure_zero(levels, flags_for(levels), RATE, channel=FORCE).level == pytest.approx(moved_newton / 2)
    else:
        with pytest.raises(CalibrationError, match=r"force moves by 5.1 N .* 5 is allowed; relax"):
            measure_zero(levels, flags_for(levels), RATE, channel=FORCE)


def test_fast_noise_is_not_movement():
    levels = np.random.default_rng(2).normal(0.0, 30.0, 200)
    assert abs(measure_zero(levels, flags_for(levels), RATE, channel=FORCE).level) < 10


def test_emg_burst_is_movement_but_resting_noise_is_not():
    levels = np.abs(np.random.default_rng(3).normal(4.0, 0.3, 200))
    assert measure_zero(levels, flags_for(levels), RATE, channel=EMG).level == pytest.approx(4.0, abs=0.1)
    levels[100:140] = 60.0
    with pytest.raises(CalibrationError, match="emg moves by"):
        measure_zero(levels, flags_for(levels), RATE, channel=EMG)


@pytest.mark.parametrize(
    ("n_levels", "flag", "message"),
    [
        (99, Flag.GOOD, r"lasts 0.99 s; 1 s is needed; keep still"),
        (200, Flag.MISSING, "gap during the zero; check the cable"),
        (200, Flag.CLIPPED, "rail during the zero; lower the gain"),
    ],
)
def test_refusals_name_value_and_cure(n_levels, flag, message):
    levels = np.zeros(n_levels)
    flags = flags_for(levels)
    flags[50] = flag
    with pytest.raises(CalibrationError, match=message):
        measure_zero(levels, flags, RATE, channel=FORCE)


def test_an_envelope_that_rests_around_zero_is_judged_by_its_scatter():
    """ "Moves by 0.654; -0.58 is allowed" it said once."""
    envelope = Channel(name="emg", kind="emg", unit="mV", envelope=True)
    rng = np.random.default_rng(3)
    for mean in (-0.58, -0.05, 0.0, 0.02):
        levels = mean + rng.normal(0, 0.3, 200)
        assert measure_zero(levels, flags_for(levels), RATE, channel=envelope).level == pytest.approx(mean, abs=0.1)
    climbing = np.linspace(-0.5, 2.5, 200)
    with pytest.raises(CalibrationError, match="emg moves by") as raised:
        measure_zero(climbing, flags_for(climbing), RATE, channel=envelope)
    assert "-" not in raised.value.what.partition("zero; ")[2], "what is allowed is no negative amount"
