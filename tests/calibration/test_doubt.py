import numpy as np
import pytest

from biofeedback.account.values import Maximum
from biofeedback.calibration.doubt import check_above, check_endurance
from biofeedback.joints import JOINTS, find_joint
from biofeedback.model import Channel, Flag

FORCE = Channel(name="force", kind="force", unit="N")
EMG = Channel(name="emg", kind="emg", unit="uV")
MAXIMUM = Maximum(channel="force", strength=400.0, baseline=0.0, unit="N")
RATE = 100.0


def above(percent, channel=FORCE, flags=None):
    flags = np.zeros(len(percent), np.uint16) if flags is None else flags
    return check_above(np.asarray(percent, float), flags, RATE, channel=channel, maximum=MAXIMUM, at_s=30.0)


def endurance(percent, joint="knee"):
    percent = np.asarray(percent, float)
    flags = np.zeros(len(percent), np.uint16)
    return check_endurance(percent, flags, RATE, maximum=MAXIMUM, joint=joint)


def test_frey_law_and_avin_all_rows(published):
    data = published("frey_law_avin_2010")
    assert set(data["joints"]) == set(JOINTS)
    for name, row in data["joints"].items():
        assert (JOINTS[name].b0_s, JOINTS[name].b1) == (row["b0_s"], row["b1"])
        for percent, time_s in zip(data["efforts_percent"], row["endurance_s"], strict=True):
            assert JOINTS[name].time_s(percent) == pytest.approx(time_s, abs=0.005)
            assert JOINTS[name].effort_percent(JOINTS[name].time_s(percent)) == pytest.approx(percent)


def test_no_hip_so_the_knee_stands_in_and_no_neck_so_the_general_row():
    assert find_joint("hip").name == "knee"
    assert find_joint("neck").name == "general"
    assert find_joint(" Knee ").name == "knee"
    assert find_joint("grip").name == "hand"
    with pytest.raises(ValueError, match="effort 0"):
        find_joint("knee").time_s(0.0)


@pytest.mark.parametrize(("percent", "is_doubted"), [(105.0, False), (105.1, True)])
def test_half_second_above_the_maximum(percent, is_doubted):
    series = np.full(400, 80.0)
    series[200:250] = percent
    doubt = above(series)
    assert (doubt is not None) == is_doubted
    if doubt is not None:
        assert doubt.strength == pytest.approx(400.0 * percent / 100)
        assert doubt.at_s == pytest.approx(32.0)
        assert doubt.percent_would_be(percent, MAXIMUM) == pytest.approx(100.0)
        assert "recompute the past" in doubt.advice
        assert "Kooistra" in doubt.advice


def test_shorter_peaks_bad_levels_and_emg_are_no_evidence():
    series = np.full(400, 80.0)
    series[200:240] = 110.0
    assert above(series) is None
    series[200:260] = 245.0  # ordinary for EMG
    assert above(series, EMG) is None
    flags = np.where(series > 200, Flag.SPIKE, Flag.GOOD).astype(np.uint16)
    assert above(series, flags=flags) is None
    assert above(np.full(400, np.nan)) is None
    assert above(series) is not None


def test_twice_the_predicted_endurance_is_the_limit():
    limit_s = 2 * JOINTS["knee"].time_s(50.0)  # 142.7 s
    inside, outside = (np.full(round((limit_s + s) * RATE), 50.0) for s in (-0.1, 0.1))
    assert endurance(inside) is None
    doubt = endurance(outside)
    assert doubt is not None
    assert doubt.strength == pytest.approx(400.0, rel=2e-3)  # just fits twice the prediction
    assert "knee row of Frey-Law & Avin 2010" in doubt.seen
    longer = endurance(np.full(round(3 * limit_s * RATE), 50.0))
    new_percent = longer.percent_would_be(50.0, MAXIMUM)
    assert 2 * JOINTS["knee"].time_s(new_percent) == pytest.approx(3 * limit_s, rel=1e-3)


def test_short_dips_belong_to_a_hold_and_rests_do_not():
    hold = np.full(16000, 50.0)
    assert endurance(hold) is not None
    dipped, rested = hold.copy(), hold.copy()
    dipped[8000:8090] = 0.0
    rested[8000:8300] = 0.0
    assert endurance(dipped) is not None
    assert endurance(rested) is None
    assert endurance(np.zeros(100)) is None


def test_nobody_is_accused():
    words = " ".join([endurance(np.full(60000, 50.0)).advice, above(np.full(100, 150.0)).advice]).lower()
    assert not any(word in words for word in ("not trying", "cheat", "half-hearted", "submaximal", "lazy"))
