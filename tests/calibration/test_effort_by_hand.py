"""Effort worked out anew, level by level and half second by half second, from its description."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from biofeedback.account.values import Maximum
from biofeedback.calibration.effort import EffortStream
from biofeedback.calibration.passive import PassiveTension
from biofeedback.model import Channel, Flag, Levels

FORCE = Channel(name="force", kind="force", unit="N")
EMG = Channel(name="emg", kind="emg", unit="uV")
RATE_HZ, N_BLOCK = 20.0, 10  # half a second
STRENGTH, EMG_STRENGTH, EMG_REST = 300.0, 50.0, 2.0
UNUSABLE = int(Flag.MISSING | Flag.CLIPPED | Flag.SETTLING)
DOUBTFUL = UNUSABLE | int(Flag.HUM | Flag.ELECTRODE)


class ByHand:
    """One force and one raw EMG channel with zeros and maxima; what is relaxed when is known beforehand."""

    def __init__(self, rest: float, sd: float, start: float, *, relaxes: bool) -> None:
        self.tension: PassiveTension | None = None
        self.rest, self.relaxes = rest, relaxes
        self.near = self.far = start
        self.near_sd = self.far_sd = sd
        self.start, self.start_sd = start, sd
        self.means: list[float] = []  # of this relaxed stretch

    def run(self, force: np.ndarray, emg: np.ndarray, flags: np.ndarray, relaxed_since: list[int | None]) -> Any:
        """Baseline, its SD in % and effort of the force, and effort of the EMG, at every level."""
        found = []
        for first in range(0, len(force), N_BLOCK):
            block = slice(first, first + N_BLOCK)
            for k, (level, activity) in enumerate(zip(force[block], emg[block], strict=True)):
                share = (k + 0.5) / N_BLOCK
                baseline = self.near + share * (self.far - self.near)
                sd = self.near_sd + share * (self.far_sd - self.near_sd)
                above = math.sqrt(max(0.0, activity**2 - EMG_REST**2))
                found.append(
                    (baseline, 100 * sd / STRENGTH, 100 * (level - baseline) / STRENGTH, 100 * above / EMG_STRENGTH)
                )
            self.learn(first + N_BLOCK, force[block], emg[block], flags[block], relaxed_since[first + N_BLOCK - 1])
        return np.array(found).T

    def learn(self, end: int, force: np.ndarray, emg: np.ndarray, flags: np.ndarray, since: int | None) -> None:
        end_s, mean = end / RATE_HZ, float(force.mean())
        if self.tension is None:
            self.tension = PassiveTension(self.rest, relaxes=self.relaxes)
            self.tension.strength = STRENGTH
        if since is not None and (not self.means or self.since != since):
            if getattr(self, "since", None) != since:
                self.tension.begin_stretch(since / RATE_HZ)
                self.means = []
            self.since = since
        is_known = not (flags[:, 0] & UNUSABLE).any() and not math.isnan(mean)
        is_settled = since is not None and end - since >= 30 + N_BLOCK  # letting go takes 1.5 s, then a whole block
        activity = 100 * np.sqrt(np.maximum(0, emg**2 - EMG_REST**2)).mean() / EMG_STRENGTH
        is_tense = not (flags[:, 1] & DOUBTFUL).any() and activity > 5.0
        recent = self.means[-4:]
        is_still = not recent or (
            100 * (recent[-1] - mean) / STRENGTH <= 5.0 * 0.5 and 100 * (mean - min(recent)) / STRENGTH <= 1.0
        )
        if is_known:
            self.means.append(mean)
        if is_known and is_settled and is_still and not is_tense:
            self.tension.learn(end_s - 0.25, mean)
            self.near, self.near_sd = self.tension.predict(end_s)
            self.far, self.far_sd = self.tension.predict(end_s + 0.5)
        elif self.tension.is_known:
            self.near, self.near_sd = self.far, self.far_sd
            self.far, self.far_sd = self.tension.predict(end_s + 0.5)
        else:
            self.near = self.far = self.start
            self.near_sd = self.far_sd = self.start_sd


def make_evening(seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, list[int | None]]:
    """A minute and a half: relaxed, contracting, relaxed again; with clipped and humming seconds, a tense one, one in
    which the force still falls and one in which it rises."""
    rng = np.random.default_rng(seed)
    n = 1800
    t = np.arange(n) / RATE_HZ
    force = 60 + 25 * np.exp(-t / 30) + rng.normal(0, 0.2, n)
    emg = np.abs(2 + rng.normal(0, 0.1, n))
    flags = np.zeros((n, 2), np.uint16)
    relaxed_since: list[int | None] = [None] * n
    for begin, end in ((0, 407), (700, 1100), (1333, n)):
        relaxed_since[begin:end] = [begin] * (end - begin)
    force[407:700] += 100
    emg[407:700] = 30
    emg[160:190] = 9.0  # tense while asked to relax
    emg[240:270] = 9.0  # and here nobody can say
    flags[240:270, 1] = np.uint16(Flag.HUM)
    flags[300:304, 0] = np.uint16(Flag.CLIPPED)
    force[700:760] += 90 * np.exp(-np.arange(60) / 15)  # still letting go
    force[900:930] += np.linspace(0, 12, 30)  # rises by 4 %
    force[930:1000] += 12
    force[1100:1333] += 80
    force[1500] = np.nan
    flags[1500, 0] = np.uint16(Flag.MISSING)
    return force, emg, flags, relaxed_since


@pytest.mark.parametrize("method", ["passive", "running"])
@pytest.mark.parametrize("cut", [1, 7, 250, 1800])
def test_effort_is_that_of_its_description_however_the_levels_are_cut(method: Any, cut: int) -> None:
    force, emg, flags, relaxed_since = make_evening(3)
    stream = EffortStream([FORCE, EMG], RATE_HZ, baseline=method)
    stream.set_rest(0, 5.0, 0.3)
    stream.set_rest(1, EMG_REST, 0.1)
    stream.set_maximum(0, Maximum(channel="force", strength=STRENGTH, baseline=50.0, unit="N"))
    stream.set_maximum(1, Maximum(channel="emg", strength=EMG_STRENGTH, baseline=2.0, unit="uV"))
    parts, at = [], 0
    while at < len(force):
        is_relaxed = relaxed_since[at] is not None
        stream.set_relaxed(is_relaxed)
        end = next((k for k in range(at, len(force)) if relaxed_since[k] != relaxed_since[at]), len(force))
        for first in range(at, end, cut):
            part = slice(first, min(end, first + cut))
            parts.append(stream.push(Levels(first, np.column_stack([force, emg])[part], flags[part])))
        at = end
    found = [np.concatenate([getattr(part, name) for part in parts]) for name in
             ("baseline", "plus_minus_percent", "percent")]  # fmt: skip
    by_hand = ByHand(5.0, 0.3, 50.0, relaxes=method == "passive")
    baseline, sd, percent, emg_percent = by_hand.run(force, emg, flags, relaxed_since)
    np.testing.assert_allclose(found[0][:, 0], baseline, rtol=1e-9)
    np.testing.assert_allclose(found[1][:, 0], sd, rtol=1e-9)
    np.testing.assert_allclose(found[2][:, 0], percent, rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(found[2][:, 1], emg_percent, rtol=1e-9, atol=1e-9)
    assert np.ptp(baseline) > 10, "something was learnt"


@pytest.mark.parametrize("cut", [1, 4, 40])
def test_by_the_zero_alone_nothing_is_learnt(cut: int) -> None:
    stream = EffortStream([FORCE], 10.0, baseline="zero")
    stream.set_rest(0, 5.0, 0.3)
    stream.set_maximum(0, Maximum(channel="force", strength=200.0, baseline=50.0, unit="N"))
    stream.set_relaxed(True)
    values = np.full((120, 1), 25.0)
    parts = [
        stream.push(Levels(at, values[at : at + cut], np.zeros((len(values[at : at + cut]), 1), np.uint16)))
        for at in range(0, 120, cut)
    ]
    assert np.concatenate([part.percent for part in parts]) == pytest.approx(np.full((120, 1), 10.0))
    assert np.concatenate([part.plus_minus_percent for part in parts]) == pytest.approx(np.full((120, 1), 0.15))
    assert not any(part.flags.any() for part in parts)
    assert stream.methods == ("zero",)


def test_a_phones_angle_is_between_gravity_now_and_at_the_zero() -> None:
    """Tilted by 30 degrees about the horizontal; while it is shaken nothing is known (5 % of 9.80665)."""
    channels = [
        Channel(name="force", kind="force", unit="N"),
        Channel(name="position_phone", kind="position", unit="deg"),
        *(Channel(name=f"gravity_phone_{axis}", kind="gravity", unit="m/s²") for axis in "xyz"),
    ]
    stream = EffortStream(channels, 10.0)
    for column, rest in enumerate((0.0, 0.0, 0.0, 0.0, 9.80665)):
        stream.set_rest(column, rest, 0.1)
    tilted = [0.0, 77.0, 9.80665 * math.sin(math.radians(30)), 0.0, 9.80665 * math.cos(math.radians(30))]
    shaken = [0.0, 77.0, 0.0, 0.0, 9.80665 * 1.06]
    for n_levels in (2, 30):
        values = np.array([tilted, shaken] * (n_levels // 2))
        angle = stream.push(Levels(0, values, np.zeros(values.shape, np.uint16))).percent[:, 1]
        assert angle[0] == pytest.approx(30.0)
        assert np.isnan(angle[1])
        stream = EffortStream(channels, 10.0)
        for column, rest in enumerate((0.0, 0.0, 0.0, 0.0, 9.80665)):
            stream.set_rest(column, rest, 0.1)


def test_nothing_pushed_is_nothing_and_a_method_that_there_is_not_is_refused() -> None:
    stream = EffortStream([FORCE, EMG], RATE_HZ)
    effort = stream.push(Levels(7, np.empty((0, 2)), np.empty((0, 2), np.uint16)))
    assert (effort.first, effort.n_levels, effort.percent.shape) == (7, 0, (0, 2))
    with pytest.raises(ValueError, match="baseline 'guess' is not one of passive, running, zero"):
        EffortStream([FORCE], RATE_HZ, baseline="guess")  # type: ignore[arg-type]
