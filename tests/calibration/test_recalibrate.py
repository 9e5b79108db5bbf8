import numpy as np
import pytest

from biofeedback.account.values import Maximum
from biofeedback.calibration.effort import EffortStream
from biofeedback.calibration.events import apply_event
from biofeedback.calibration.recalibrate import recalibrate
from biofeedback.model import Channel, Event, Levels

FORCE = Channel(name="force", kind="force", unit="N")
EMG = Channel(name="emg", kind="emg", unit="uV")
CHANNELS = (FORCE, EMG)
RATE, HOP = 100.0, 10
N = 6000


def maximum(name="force", strength=300.0):
    return Maximum(channel=name, strength=strength, baseline=60.0, unit="N")


EVENTS = [
    Event(0, "zero", {"channels": {"force": {"level": 0.0, "sd": 0.1}, "emg": {"level": 3.0, "sd": 0.2}, "gone": {}}}),
    Event(503, "note", {"text": "unrelated"}),
    Event(5005, "maximum", maximum().to_dict()),
    Event(5005, "maximum", maximum("emg", 200.0).to_dict()),
    Event(5010, "maximum", maximum("sold", 1.0).to_dict()),
    Event(6000, "relaxed", {"on": True}),
    Event(26000, "relaxed", {"on": False}),
    Event(50000, "maximum", maximum(strength=350.0).to_dict()),
]


def levels(seed=1):
    rng = np.random.default_rng(seed)
    t = np.arange(N) / RATE
    force = 100 * (1 - 0.33 * (1 - np.exp(-t / 15))) + np.where(t > 26, 75.0, 0.0) + rng.normal(0, 0.3, N)
    return np.column_stack([force, np.abs(rng.normal(5, 1, N))]), np.zeros((N, 2), np.uint16)


def runs(size):
    values, flags = levels()
    return [Levels(k, values[k : k + size], flags[k : k + size]) for k in range(0, N, size)]


def redo(size=700, *, baseline="passive", **options):
    return recalibrate(runs(size), EVENTS, stream=EffortStream(CHANNELS, RATE, baseline=baseline), hop=HOP, **options)


def live():
    """One level at a time, events acting as an engine lets them act."""
    stream, parts = EffortStream(CHANNELS, RATE), []
    pending = [e for e in EVENTS if e.data.get("channel") != "sold"]
    for run in runs(1):
        while pending and pending[0].frame // HOP <= run.first:
            apply_event(stream, pending.pop(0))
        parts.append(stream.push(run).percent)
    return np.concatenate(parts)


@pytest.mark.parametrize("size", [1, 700, N])
def test_without_changes_it_is_what_was_shown_live_bit_for_bit(size):
    assert redo(size).percent.tobytes() == live().tobytes()
    assert redo(size).first == 0


def test_another_maximum_scales_effort_and_keeps_the_baseline():
    before, after = redo(), redo(maxima={"force": maximum(strength=600.0)})
    late = slice(5100, N)
    assert after.percent[late, 0] == pytest.approx(before.percent[late, 0] * 350.0 / 600.0, abs=0.1)
    assert np.isfinite(after.percent[:500, 0]).all()  # in force from the first level on
    assert after.percent[:, 1].tobytes() == before.percent[:, 1].tobytes()
    assert after.baseline[late] == pytest.approx(before.baseline[late], abs=0.5)  # the prior knows the maximum


def test_another_baseline_method():
    before, running, zero = redo(), redo(baseline="running"), redo(baseline="zero")
    truth = 100 * 75.0 / 350.0
    last = [abs(float(np.mean(e.percent[-100:, 0])) - truth) for e in (before, running, zero)]
    assert last[0] < 0.5
    assert last[0] < last[1] < last[2]
    with pytest.raises(ValueError, match="baseline 'magic' is not one of passive, running, zero"):
        redo(baseline="magic")


def test_empty_recording():
    effort = recalibrate([], EVENTS, stream=EffortStream(CHANNELS, RATE), hop=HOP)
    assert effort.n_levels == 0
    assert effort.percent.shape == (0, 2)
