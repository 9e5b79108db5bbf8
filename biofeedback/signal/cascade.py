"""A cascade of second-order sections that remembers where it was, so that chunk sizes leave no trace."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from importlib.machinery import PathFinder
from importlib.util import module_from_spec
from pathlib import Path
from types import ModuleType
from typing import TypeAlias

import numpy as np

from biofeedback.model import FloatArray
from biofeedback.signal.design import steady_state


class Cascade:
    """Second-order sections run over channels in rows, ``(n_channels, n_frames)``.

    Parameters
    ----------
    sections : (n_sections, 6) coefficients ``b0 b1 b2 a0 a1 a2`` with ``a0 = 1``.
    n_channels : channels filtered alike, in one call.

    Attributes
    ----------
    state : (n_channels, n_sections, 2); set it to one kept from before to run again from there.
    """

    def __init__(self, sections: FloatArray, n_channels: int) -> None:
        self.sections = np.ascontiguousarray(sections, dtype=np.float64)
        self._filter = find_kernel()
        self._steady = steady_state(self.sections)
        self.state: FloatArray = np.zeros((n_channels, len(self.sections), 2))

    def start(self, first: FloatArray) -> None:
        """Begin as if ``first`` (n_channels,) had been there for ever: an offset makes no step."""
        self.state = self._steady * first[:, None, None]

    def run(self, x: FloatArray) -> FloatArray:
        """The next frames, ``(n_channels, n_frames)``."""
        y, self.state = self._filter(self.sections, x, self.state)
        return y

    def append(self, sections: FloatArray) -> None:
        """From here on also filter by ``sections``, which have seen nothing yet and start from zero."""
        n = len(sections)
        self.sections = np.concatenate((self.sections, sections))
        self._steady = np.concatenate((self._steady, np.zeros((n, 2))))
        self.state = np.concatenate((self.state, np.zeros((len(self.state), n, 2))), axis=1)

    def cut(self, n_sections: int) -> None:
        """From here on filter by the first sections only."""
        self.sections = self.sections[:n_sections]
        self._steady = self._steady[:n_sections]
        self.state = np.ascontiguousarray(self.state[:, :n_sections])


Kernel: TypeAlias = Callable[[FloatArray, FloatArray, FloatArray], tuple[FloatArray, FloatArray]]


def find_kernel() -> Kernel:
    """Scipy's inner loop without the argument checks around it, which cost five times as much on a live chunk.

    The inner loop is not part of scipy's public interface; where it has moved the public function does the same, bit
    for bit, a test holds the two equal.
    """
    try:
        _sosfilt = _load_inner_loop()._sosfilt
    except (ImportError, AttributeError):
        return filter_publicly

    def filter_directly(sections: FloatArray, x: FloatArray, state: FloatArray) -> tuple[FloatArray, FloatArray]:
        y = np.array(x, dtype=np.float64, order="C")
        after = state.copy()
        _sosfilt(sections, y, after)  # both in place
        return y, after

    return filter_directly


@cache
def _load_inner_loop() -> ModuleType:
    """The compiled module alone: the package around it takes a second to import, more than most reports need."""
    import scipy

    folder = str(Path(scipy.__file__).parent / "signal")
    spec = PathFinder.find_spec("_sosfilt", [folder])
    if spec is None or spec.loader is None:
        raise ImportError("scipy keeps its inner loop elsewhere", name="_sosfilt")
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def filter_publicly(sections: FloatArray, x: FloatArray, state: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The same by scipy's public function."""
    from scipy.signal import sosfilt

    y, after = sosfilt(sections, x, axis=-1, zi=state.swapaxes(0, 1))
    return np.asarray(y, dtype=np.float64), np.asarray(after, dtype=np.float64).swapaxes(0, 1)


def response(sections: FloatArray, frequency_hz: float, rate_hz: float) -> complex:
    """Complex gain of the cascade at one frequency."""
    z = np.exp(-2j * np.pi * frequency_hz / rate_hz) ** np.arange(3)
    return complex(np.prod((sections[:, :3] @ z) / (sections[:, 3:] @ z)))


def group_delay_s(sections: FloatArray, frequency_hz: float, rate_hz: float) -> float:
    """Delay of a narrow signal around ``frequency_hz``: minus the slope of the phase."""
    step_hz = 0.01
    turn = response(sections, frequency_hz + step_hz, rate_hz) / response(sections, frequency_hz - step_hz, rate_hz)
    return float(-np.angle(turn) / (4 * np.pi * step_hz))


def settling_frames(sections: FloatArray, rate_hz: float) -> int:
    """Frames until the answer to a unit step stays within 1 % of its final value; looks 2 s ahead."""
    n = max(2, round(2 * rate_hz))
    y = Cascade(sections, 1).run(np.ones((1, n)))[0]
    return int(np.flatnonzero(np.abs(y - y[-1]) > 0.01)[-1]) + 1
