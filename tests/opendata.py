"""Open data that tests hold the program against: fetched once, kept in the ignored folder .cache, never shipped.

The recording is the one that openhdemg 0.1.2 carries as a test file (GPL-3; G. Valli et al., J Electromyogr Kinesiol
74 (2024) 102850): vastus lateralis, an isometric ramp-hold-ramp near 25 % of the maximum, force in % of the maximum
and 64 raw EMG electrodes at 2048 Hz.
"""

from __future__ import annotations

import hashlib
import io
import subprocess
import sys
import tempfile
import zipfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from scipy.io import loadmat

from .requirements import need

CACHE = Path(__file__).resolve().parents[1] / ".cache"
WHEEL = CACHE / "openhdemg-0.1.2-py3-none-any.whl"
SHA256 = "dca7ab05ede5484da748b4c6d1c4f77ec9b4b042c44df7fe55e325eb880bbc89"
MEMBER = "openhdemg/library/decomposed_test_files/otb_testfile.mat"
FORCE_COLUMN, N_EMG = 74, 64


@dataclass(frozen=True, slots=True, eq=False)
class RampHold:
    """``force_percent`` (n_frames,) of the maximum; ``emg_microvolt`` (n_frames, 64); frames per second."""

    force_percent: np.ndarray
    emg_microvolt: np.ndarray
    rate_hz: float


def fetch_wheel() -> str:
    """Put the wheel into the cache unless it is there; returns what went wrong, empty when all is well."""
    if not WHEEL.exists():
        CACHE.mkdir(exist_ok=True)
        with tempfile.TemporaryDirectory(dir=CACHE) as folder:
            command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--only-binary=:all:"]
            command += ["--disable-pip-version-check", "--dest", folder, "openhdemg==0.1.2"]
            try:
                done = subprocess.run(command, capture_output=True, text=True, timeout=180, check=False)
            except subprocess.TimeoutExpired:
                return "open data: no answer from the package registry within 180 s"
            if done.returncode:
                return f"open data: {(done.stderr.strip() or 'download failed').splitlines()[-1]}"
            (Path(folder) / WHEEL.name).replace(WHEEL)  # whole or not at all, also with two test runs at once
    if hashlib.sha256(WHEEL.read_bytes()).hexdigest() != SHA256:
        return f"open data: {WHEEL.name} is not the file these numbers were read from; delete it and run again"
    return ""


@cache
def _read() -> RampHold:
    with zipfile.ZipFile(WHEEL) as archive:
        content = loadmat(io.BytesIO(archive.read(MEMBER)))
    data = np.asarray(content["Data"][0, 0], dtype=np.float64)
    rate_hz = float(content["SamplingFrequency"][0, 0])
    return RampHold(data[:, FORCE_COLUMN].copy(), data[:, :N_EMG].copy(), rate_hz)


def load_ramp_hold() -> RampHold:
    """The recording; skips the test with its reason when it cannot be had (mark such tests ``network``)."""
    problem = fetch_wheel()
    need(not problem, problem)
    return _read()
