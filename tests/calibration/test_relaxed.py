import numpy as np
import pytest

from biofeedback.calibration.relaxed import check_relaxed
from biofeedback.model import Channel, Flag

FORCE = Channel(name="force", kind="force", unit="N")
EMG = Channel(name="emg", kind="emg", unit="uV")
RATE = 100.0


def check(force=None, emg=None, emg_flag=Flag.GOOD):
    columns = [c for c in (force, emg) if c is not None]
    percent = np.column_stack([np.broadcast_to(np.asarray(c, float), 800) for c in columns])
    flags = np.zeros(percent.shape, np.uint16)
    if emg is not None:
        flags[:, -1] = emg_flag
    channels = [c for c, given in ((FORCE, force), (EMG, emg)) if given is not None]
    return check_relaxed(percent, flags, RATE, channels=channels)


# 5 % of the EMG's maximum: common practice, no source.
@pytest.mark.parametrize(("emg_percent", "is_relaxed"), [(5.0, True), (5.1, False)])
def test_emg_decides_where_there_is_one(emg_percent, is_relaxed):
    found = check(force=np.linspace(0, 100, 800), emg=emg_percent)
    assert (found.is_relaxed, found.by) == (is_relaxed, "emg")
    assert is_relaxed or found.reason == "EMG shows 5 % of its maximum while relaxing; 5 % is allowed; let go"


@pytest.mark.parametrize(
    ("slope_percent_per_s", "is_relaxed", "word"),
    [
        (0.49, True, ""),
        (0.51, False, "force rises by 0.5 %"),
        (-2.9, True, ""),
        (-3.1, False, "force still falls by 3.1 %"),
    ],
)
def test_force_slope_decides_otherwise(slope_percent_per_s, is_relaxed, word):
    found = check(force=slope_percent_per_s * np.arange(800) / RATE)
    assert (found.is_relaxed, found.by) == (is_relaxed, "force")
    assert found.reason.startswith(word)


def test_loose_electrode_is_not_believed():
    assert check(force=10.0, emg=40.0, emg_flag=Flag.ELECTRODE).by == "force"
    assert check(force=10.0, emg=40.0).is_relaxed is False


def test_nothing_to_judge_by():
    found = check(force=np.full(800, np.nan))
    assert found.is_relaxed is None
    assert "ask the athlete" in found.reason
    assert check(emg=np.full(800, np.nan)).is_relaxed is None


def check_channels(channels, columns, flags=None):
    percent = np.column_stack([np.broadcast_to(np.asarray(c, float), 800) for c in columns])
    return check_relaxed(
        percent, np.zeros(percent.shape, np.uint16) if flags is None else flags, RATE, channels=channels
    )


def test_the_more_active_of_two_emg_channels_decides():
    other = Channel(name="emg2", kind="emg", unit="uV")
    for calm, tense in ((2.0, 12.0), (12.0, 2.0)):
        found = check_channels([EMG, other], [calm, tense])
        assert (found.is_relaxed, found.by) == (False, "emg")
        assert "EMG shows 12 %" in found.reason
    assert check_channels([EMG, other], [2.0, 4.9]).is_relaxed is True
    assert check_channels([EMG, other], [2.0, np.full(800, np.nan)]).is_relaxed is True  # not calibrated: no voice


def test_only_the_last_five_seconds_count():
    force = np.concatenate([20.0 * np.arange(290) / RATE, np.full(510, 58.0)])
    assert check(force=force).is_relaxed is True


@pytest.mark.parametrize("flag", [Flag.CLIPPED, Flag.SETTLING, Flag.MISSING])
def test_force_that_cannot_be_read_has_no_slope(flag):
    force = np.concatenate([np.full(600, 10.0), 10 + 20.0 * np.arange(200) / RATE])
    flags = np.zeros((800, 1), np.uint16)
    flags[600:] = flag
    assert check_channels([FORCE], [force]).is_relaxed is False
    assert check_channels([FORCE], [force], flags).is_relaxed is True
    flags[350:] = flag  # less than a second of the five is left
    assert check_channels([FORCE], [force], flags).is_relaxed is None
