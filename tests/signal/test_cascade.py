import subprocess
import sys

import numpy as np
from scipy.signal import butter

from biofeedback.signal.cascade import Cascade, filter_publicly, find_kernel


def test_the_kernel_is_scipys_public_filter_bit_for_bit():
    sections = np.concatenate(
        [butter(4, [20, 450], "band", fs=1000, output="sos"), butter(2, 15, fs=1000, output="sos")]
    )
    x = np.random.default_rng(0).normal(0, 100, (8, 500))
    ours, state = find_kernel(), np.random.default_rng(1).normal(0, 1, (8, len(sections), 2))
    (y, after), (expected, expected_after) = ours(sections, x, state), filter_publicly(sections, x, state)
    assert y.tobytes() == expected.tobytes()
    assert np.ascontiguousarray(after).tobytes() == np.ascontiguousarray(expected_after).tobytes()


def test_a_state_kept_from_before_is_not_touched_by_running_on():
    cascade = Cascade(butter(2, 15, fs=1000, output="sos"), 2)
    cascade.start(np.array([1.0, 2.0]))
    kept = cascade.state
    copy, x = kept.copy(), np.random.default_rng(2).normal(0, 1, (2, 50))
    first = cascade.run(x)
    assert np.array_equal(kept, copy)
    cascade.state = kept
    assert cascade.run(x).tobytes() == first.tobytes()


def test_filtering_imports_the_inner_loop_and_not_the_package_around_it():
    """A second at each start; and the public function beside it would be compared with itself above."""
    code = """
import sys
from biofeedback.signal.cascade import Cascade, filter_publicly, find_kernel
from biofeedback.signal.emg import band_pass
Cascade(band_pass(1000.0), 1)
assert find_kernel() is not filter_publicly
assert "scipy.signal" not in sys.modules
"""
    subprocess.run([sys.executable, "-c", code], check=True, timeout=60)
