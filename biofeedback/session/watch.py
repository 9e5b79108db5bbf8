"""What a phase tells beyond its numbers: was the position held, did the athlete relax, does the maximum still fit?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from biofeedback.account.values import Doubt, Maximum, PositionResult, Relaxation
from biofeedback.calibration.doubt import check_above, check_endurance
from biofeedback.calibration.effort import Effort
from biofeedback.calibration.position import judge_position, limits_for
from biofeedback.calibration.relaxed import check_relaxed
from biofeedback.model import Channel, FlagArray, FloatArray
from biofeedback.session.setup import Setup


class PhaseWatch:
    """Collects the efforts of one phase and judges them at its end."""

    def __init__(self, channels: Sequence[Channel], level_rate_hz: float, setup: Setup | None = None) -> None:
        self._channels = tuple(channels)
        self._rate_hz = level_rate_hz
        self._lever_m, self._drift = (setup.lever_m, setup.drift) if setup else (None, None)
        self._efforts: list[Effort] = []

    def take(self, effort: Effort) -> None:
        """Take the next levels of the phase."""
        self._efforts.append(effort)

    def find_mean(self, column: int, grace_s: float) -> float | None:
        """Mean effort of a channel after the grace, in %, as the analysis finds it; None with next to no signal."""
        percent = self._joined()[0][round(grace_s * self._rate_hz) :, column]
        known = percent[np.isfinite(percent)]
        return float(known.mean()) if known.size >= 3 else None

    def find_best(self, column: int, best_s: float = 0.5) -> float | None:
        """The highest mean effort over ``best_s``, in %; None where no such stretch is known."""
        percent, n = self._joined()[0][:, column], max(1, round(best_s * self._rate_hz))
        if percent.size < n:
            return None
        means = np.convolve(percent, np.full(n, 1 / n), "valid")
        return float(np.nanmax(means)) if np.isfinite(means).any() else None

    def judge_position(self) -> PositionResult | None:
        """The worst of the position channels; None without one whose unit has limits: then the coach is asked."""
        percent, flags = self._joined()
        results = []
        for column, channel in enumerate(self._channels):
            limits = limits_for(channel.unit, self._lever_m, self._drift) if channel.kind == "position" else None
            if limits:
                results.append(judge_position(percent[:, column], flags[:, column], self._rate_hz, limits=limits))
        order = ("lost", "drifted", "unknown", "held")
        return min(results, key=lambda result: order.index(result.state), default=None)

    def judge_relaxation(self, maxima: Mapping[str, Maximum]) -> Relaxation:
        """Whether the athlete let go in a passive phase. The force's slope counts before the baseline is taken out."""
        percent, flags = self._joined()
        for column, channel in enumerate(self._channels):
            if channel.kind == "force" and channel.name in maxima and self._efforts:
                baseline = np.concatenate([effort.baseline[:, column] for effort in self._efforts])
                percent[:, column] += 100.0 * baseline / maxima[channel.name].strength
        return check_relaxed(percent, flags, self._rate_hz, channels=self._channels)

    def find_doubt(self, column: int, maximum: Maximum, joint: str, at_s: float) -> Doubt | None:
        """Evidence of this phase against the maximum of the channel in ``column``; ``at_s`` is the phase's start."""
        percent, flags = self._joined()
        column_percent, column_flags = percent[:, column], flags[:, column]
        above = check_above(
            column_percent, column_flags, self._rate_hz, channel=self._channels[column], maximum=maximum, at_s=at_s
        )
        if above or self._channels[column].kind != "force":
            return above
        return check_endurance(column_percent, column_flags, self._rate_hz, maximum=maximum, joint=joint, at_s=at_s)

    def _joined(self) -> tuple[FloatArray, FlagArray]:
        if not self._efforts:
            empty = np.empty((0, len(self._channels)))
            return empty, empty.astype(np.uint16)
        return (
            np.concatenate([effort.percent for effort in self._efforts]),
            np.concatenate([effort.flags for effort in self._efforts]),
        )
