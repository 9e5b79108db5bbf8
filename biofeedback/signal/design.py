"""The few filters that are used, worked out from the textbook: importing scipy.signal takes longer than an analysis.

A Butterworth prototype, its band transformation and the bilinear transform with the edges moved so that they lie where
they were asked for; a notch of the second order. Oppenheim & Schafer, Discrete-Time Signal Processing, chapter 7 (from
memory). Tests hold every design equal to scipy.signal's.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from biofeedback.model import FloatArray

Roots = NDArray[np.complex128]


def butterworth(order: int, edges_hz: float | tuple[float, float], rate_hz: float) -> FloatArray:
    """Sections of a low-pass (one edge) or a band-pass (two edges), half power at the edges.

    Parameters
    ----------
    order : even; a band-pass falls by ``6 * order`` dB per octave on both sides, a low-pass on one.
    edges_hz : between 0 and half the rate.

    Returns
    -------
    (n_sections, 6) rows ``b0 b1 b2 1 a1 a2``, poles farthest from the circle first; gain 1 in the middle of the band.
    """
    prototype = np.exp(1j * np.pi * (2 * np.arange(order // 2) + order + 1) / (2 * order))  # upper half, left plane
    if isinstance(edges_hz, tuple):
        low, high = (2 * np.tan(np.pi * edge_hz / rate_hz) for edge_hz in edges_hz)
        poles, zeros = _to_band(prototype, low, high), (1.0, 0.0, -1.0)
        middle = np.exp(2j * np.arctan(np.sqrt(low * high) / 2))
    else:
        poles, zeros = prototype * 2 * np.tan(np.pi * edges_hz / rate_hz), (1.0, 2.0, 1.0)
        middle = np.complex128(1.0)
    poles = (2 + poles) / (2 - poles)
    poles = poles[np.argsort(np.abs(poles), kind="stable")]
    sections = np.array([[*zeros, 1.0, -2 * pole.real, abs(pole) ** 2] for pole in poles])
    back = middle ** -np.arange(3)
    sections[0, :3] /= np.prod(np.abs((sections[:, :3] @ back) / (sections[:, 3:] @ back)))
    return sections


def _to_band(prototype: Roots, low: float, high: float) -> Roots:
    """Poles of the band-pass, those of the upper half plane."""
    half = prototype * (high - low) / 2
    root = np.sqrt(half**2 - low * high)
    both = np.concatenate((half + root, half - root))
    return np.where(both.imag < 0, both.conj(), both)


def notch(frequency_hz: float, width_hz: float, rate_hz: float) -> FloatArray:
    """One section ``(6,)`` that takes a frequency out, ``width_hz`` between its -3 dB points."""
    gain = 1 / (1 + np.tan(np.pi * width_hz / rate_hz))
    turn = -2 * np.cos(2 * np.pi * frequency_hz / rate_hz)
    return np.array([gain, gain * turn, gain, 1.0, gain * turn, 2 * gain - 1])


def steady_state(sections: FloatArray) -> FloatArray:
    """States ``(n_sections, 2)`` of a cascade in which 1 has been there for ever."""
    states, level = np.empty((len(sections), 2)), 1.0
    for state, (b0, b1, b2, _, a1, a2) in zip(states, sections, strict=True):
        after = level * (b0 + b1 + b2) / (1 + a1 + a2)
        state[1] = b2 * level - a2 * after
        state[0] = b1 * level - a1 * after + state[1]
        level = after
    return states
