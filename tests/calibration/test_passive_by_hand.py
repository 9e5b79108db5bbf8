"""The tension learnt, worked out anew from its description: one regression a shape, all readings at once, no sums.

A line on a known shape with a normal prior for its amplitude and none for its level (Gelman et al., Bayesian Data
Analysis, 3rd ed., 14.8; from memory): amplitude ``(S_xy + r E) / (S_xx + r)`` with ``r`` the residual's variance over
the prior's, misfit ``S_yy - 2 A S_xy + A^2 S_xx``. The prior is a fall of 33 +- 11 % of the tension in 90 s.
"""

import math

import numpy as np
import pytest

from biofeedback.calibration.passive import PassiveTension

TAUS_S = [4.0 * 1.25**k for k in range(16)]
BETAS = [0.05, 0.1, 0.2, 0.4, 0.8]
N_SHAPES = 21


def shapes(t):
    return np.array([math.exp(-t / tau) for tau in TAUS_S] + [(1 + t) ** -beta for beta in BETAS])


UNIT_FALL = 1 / (1 - shapes(90.0))


class ByHand:
    """Readings of one hold; ``strength`` may change. `read` one by one, as a jump never comes here."""

    def __init__(self, rest, stretch_s, first, *, strength, relaxes=True):
        time_s, level = first
        self.start_s = max(stretch_s, time_s - 2.0)
        self.tension = max(0.0, level - rest)
        self.rest, self.strength, self.relaxes = rest, strength, relaxes
        self.times, self.levels, self.shapes = [], [], []
        self.expected = np.zeros(N_SHAPES)
        self.weights = np.full(N_SHAPES, 1 / N_SHAPES)
        self.expected, self.prior_variance = self.expect()
        self.amplitude, self.amplitude_variance = self.expected, self.prior_variance
        self.sd = self.drift = self.wander = 0.0
        self.n_surprises = 0
        self.read(*first)

    def expect(self):
        if not self.relaxes:
            return np.zeros(N_SHAPES), np.full(N_SHAPES, 1e-300)
        variance = (0.11 * self.tension) ** 2 + (0.03 * self.strength) ** 2
        return 0.33 * self.tension * UNIT_FALL, max(variance, 1e-300) * UNIT_FALL**2

    def read(self, time_s, level):
        if self.times and time_s - self.times[-1] > 2.0:  # after a contraction: how far off was it?
            off = level - self.foresee(time_s)[0]
            self.n_surprises += 1
            self.wander += (off**2 / (time_s - self.times[-1]) - self.wander) / self.n_surprises
        self.times.append(time_s)
        self.levels.append(level)
        self.shapes.append(shapes(time_s - self.start_s))
        n = len(self.times)
        if n < 3:
            return
        self.expected, self.prior_variance = self.expect()
        x, y = np.array(self.shapes), np.array(self.levels)
        x, y = x - x.mean(axis=0), y - y.mean()
        ridge = max(self.sd**2, 1e-300) / self.prior_variance
        information = (x**2).sum(axis=0) + ridge
        self.amplitude = (y @ x + ridge * self.expected) / information
        misfit = ((y[:, None] - self.amplitude * x) ** 2).sum(axis=0)
        self.sd = math.sqrt(misfit.min() / max(1, n - 2))
        cost = misfit + ridge * (self.amplitude - self.expected) ** 2
        variance = 3.0 * max(self.sd**2, 1e-300)
        weights = np.exp(np.maximum(-(cost - cost.min()) / 2 / variance, -700))
        self.weights = weights / weights.sum()
        self.amplitude_variance = np.minimum(variance / information, self.prior_variance)
        self.drift = self.find_drift() if self.relaxes and n >= 9 else 0.0

    def find_drift(self):
        """The last thirds of at most 20 readings against the first: what the fit does not explain."""
        within = min(len(self.times), 20)
        third = within // 3
        early, late = slice(-within, -within + third), slice(len(self.times) - third, None)

        def moved(values):
            return np.mean(values[late], axis=0) - np.mean(values[early], axis=0)

        seen, known = moved(self.levels), (self.weights * self.amplitude * moved(self.shapes)).sum()
        unexplained = max(0.0, (seen - known) ** 2 - 2 * self.sd**2 / third)
        return (unexplained + (0.3 * seen) ** 2) / moved(self.times) ** 2

    def foresee(self, time_s):
        n = min(4, len(self.times))
        change = shapes(time_s - self.start_s) - np.mean(self.shapes[-n:], axis=0)
        moves = self.amplitude * change
        mean = (self.weights * moves).sum()
        variance = 3.0 * self.sd**2 / n
        variance += (self.weights * ((moves - mean) ** 2 + self.amplitude_variance * change**2)).sum()
        if self.relaxes:
            usual = 0.33 * self.tension * np.mean(UNIT_FALL * change)
            variance += (0.3 * max(abs(mean), abs(usual))) ** 2
        ahead_s = max(0.0, time_s - self.times[-1])
        variance += self.wander * ahead_s + self.drift * (60 * (1 - math.exp(-ahead_s / 60))) ** 2
        return np.mean(self.levels[-n:]) + mean, math.sqrt(variance)


def falling(t):
    """Tension of 30 N that a third leaves slowly, over a zero of 5 N, with a wobble of half a newton."""
    return 25 + 10 * math.exp(-t / 25) + 0.5 * math.sin(1.9 * t) - 0.01 * t


def wavering(t):
    return 30 + 0.2 * math.cos(3 * t)


def easing(t):
    return 34 * (1 + t) ** -0.1


@pytest.mark.parametrize("relaxes", [True, False])
@pytest.mark.parametrize("curve", [falling, wavering, easing])
def test_every_prediction_is_that_of_the_regression_worked_out_anew(curve, relaxes):
    times_s = [11.5 + 0.5 * k for k in range(26)] + [45.25 + 0.5 * k for k in range(12)] + [80.0, 80.5, 81.0]
    strength = 300.0
    tension = PassiveTension(5.0, relaxes=relaxes)
    tension.strength = strength
    tension.begin_stretch(10.0)
    by_hand = None
    for k, time_s in enumerate(times_s):
        tension.learn(time_s, curve(time_s - 10))
        if by_hand is None:
            by_hand = ByHand(5.0, 10.0, (time_s, curve(time_s - 10)), strength=strength, relaxes=relaxes)
        else:
            by_hand.read(time_s, curve(time_s - 10))
        for ahead_s in (0.0, 0.75, 6.0, 90.0):
            found, expected = tension.predict(time_s + ahead_s), by_hand.foresee(time_s + ahead_s)
            assert found == pytest.approx(expected, rel=1e-6, abs=1e-7), (k, ahead_s)
    best = int(np.argmax(by_hand.weights))
    named = f"standard linear solid, {TAUS_S[best]:.0f} s" if best < 16 else f"power law, exponent {BETAS[best - 16]:g}"
    assert tension.method == (named if relaxes else "mean of the last 2 s relaxed")


def test_what_it_goes_by_is_named_from_the_third_reading_on():
    tension = PassiveTension(0.0)
    assert (tension.is_known, tension.method) == (False, "zero")
    with pytest.raises(ValueError, match="nothing has been learnt"):
        tension.predict(1.0)
    for k in range(3):
        assert tension.method == ("zero" if not k else "mean of the last 2 s relaxed")
        tension.learn(0.5 * k, 30.0 - k)
    assert tension.method.startswith(("standard linear solid", "power law"))


def learn_steady(*, rest, level, strength, noise=0.0):
    """Fifteen seconds at one tension, with a wobble of this size."""
    tension = PassiveTension(rest)
    tension.strength = strength
    tension.begin_stretch(0.0)
    for k in range(30):
        tension.learn(0.25 + 0.5 * k, level + noise * (-1) ** k)
    return tension


@pytest.mark.parametrize(
    ("rest", "level", "strength", "limit"),
    [
        (5.0, 55.0, 100.0, 10.0),  # a fifth of the tension
        (5.0, 15.0, 500.0, 15.0),  # 3 % of the maximum, where tension is small
        (50.0, 20.0, 0.0, 6.0),  # a fifth of how far below the zero
    ],
)
def test_a_step_as_large_as_a_fifth_of_the_tension_or_3_percent_of_the_maximum_is_another_position(
    rest, level, strength, limit
):
    for sign in (1, -1):
        for share, is_another in ((0.9, False), (1.1, True)):
            tension = learn_steady(rest=rest, level=level, strength=strength)
            to = level + sign * share * limit
            tension.learn(15.25, to)
            after_one = tension.predict(15.25).level
            tension.learn(15.75, to)
            after_two = tension.predict(15.75).level
            if is_another:
                assert after_one == pytest.approx(level, abs=0.3)  # held back: a knock changes nothing
                assert after_two == pytest.approx(to, abs=0.5)  # a new hold is expected to fall at once
                assert tension.method == "mean of the last 2 s relaxed"
            else:
                assert after_one == pytest.approx(level + (to - level) / 4, abs=0.6)
                assert after_two == pytest.approx(level + (to - level) / 2, abs=0.6)


def test_a_step_is_measured_by_the_scatter_of_what_was_read_where_that_is_more():
    """Six SD of readings that scatter by 4 N are 24 N, more than a fifth of 50 N."""
    for step, is_another in ((18.0, False), (36.0, True)):
        tension = learn_steady(rest=0.0, level=50.0, strength=0.0, noise=4.0)
        tension.learn(15.25, 50.0 + step)
        tension.learn(15.75, 50.0 + step)
        assert (tension.method == "mean of the last 2 s relaxed") is is_another


def test_two_knocks_with_a_still_reading_or_a_new_stretch_between_them_are_no_other_position():
    for between in ("reading", "stretch"):
        tension = learn_steady(rest=0.0, level=50.0, strength=0.0)
        tension.learn(15.25, 90.0)
        if between == "reading":
            tension.learn(15.75, 50.0)
        else:
            tension.begin_stretch(15.5)
        tension.learn(16.25, 90.0)
        assert tension.predict(16.25).level == pytest.approx(50.0, abs=1.0)


def test_another_position_begins_with_the_reading_that_was_held_back():
    tension = learn_steady(rest=0.0, level=50.0, strength=0.0)
    tension.learn(15.25, 80.0)
    tension.learn(15.75, 82.0)
    by_hand = ByHand(0.0, 0.0, (15.25, 80.0), strength=0.0)
    by_hand.read(15.75, 82.0)
    assert tension.predict(20.0) == pytest.approx(by_hand.foresee(20.0), rel=1e-6)
