"""What Start would refuse, the check of a sensor says first."""

import numpy as np
import pytest

from biofeedback.acquisition.health import Watched
from biofeedback.model import Channel, Chunk
from biofeedback.signal.levels import LevelStream
from biofeedback.wiring.sensor_check import judge_watched


@pytest.mark.parametrize(
    ("rate_hz", "envelope", "refused"), [(200, False, True), (200, True, False), (1000, False, False)]
)
def test_what_a_session_would_refuse_the_check_says(rate_hz, envelope, refused):
    channel = Channel(name="emg", kind="emg", envelope=envelope)
    counts = np.round(512 + 40 * np.random.default_rng(1).standard_normal((10 * rate_hz, 1)))
    arrivals = [(0.1 * k, rate_hz // 10) for k in range(1, 101)]
    findings = judge_watched(Watched([channel], rate_hz, [Chunk(0, counts)], arrivals, len(counts), 0))
    told = [f for f in findings if f.about == "session"]
    assert bool(told) == refused
    if refused:
        assert findings[0].state == "bad"
        assert findings[0].cure
        with pytest.raises(Exception, match="Hz"):
            LevelStream([channel], rate_hz)
