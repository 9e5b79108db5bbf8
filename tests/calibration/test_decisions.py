"""Simulated athletes with a known maximum: how many wrong maxima are accepted, how many good ones refused.

Attempt-to-attempt spread of 3 % and force noise of 1.5 % of the present force: trained people repeat to 2-4 % (from
memory), steadiness near 1.7 % (Taylor, Christou & Enoka 2003). A maximum is wrong when it is off by more than 10 %.
"""

import numpy as np
import pytest

from biofeedback.calibration.attempts import judge_attempt
from biofeedback.calibration.maximum_rule import judge_maximum
from biofeedback.model import Channel, Flag

FORCE = Channel(name="force", kind="force", unit="N")
RATE, TRUTH, N_ATHLETES = 100.0, 400.0, 300
T = np.arange(500) / RATE - 1.0  # a second of countdown, four of push


def attempt(rng, *, share=1.0, jerk=0.0, drift=0.0, push_s=4.0, early_s=0.0):
    """One attempt at ``share`` of the truth, with what can go wrong with it."""
    since = np.clip(T - rng.uniform(0.2, 0.35) + early_s, 0, None)
    rise = (1 - np.exp(-since / 0.1)) * np.exp(-np.clip(since - 1, 0, None) / 30)
    rise = np.where(since > push_s, rise * np.exp(-(since - push_s) / 0.1), rise)
    force = TRUTH * share * rise * (1 + rng.normal(0, 0.015, len(T)))
    at = rng.uniform(0.3, 2.5)
    force += TRUTH * jerk * np.exp(-0.5 * ((T - at) / 0.05) ** 2)  # about 0.12 s wide
    force += np.interp(T, [-1, 0], [TRUTH * drift, 0.0]) + 60 + rng.normal(0, 0.5, len(T))
    return judge_attempt(force, np.full(len(T), Flag.GOOD, np.uint16), RATE, channel=FORCE)


def spread(rng):
    return float(np.clip(rng.normal(1, 0.03), 0.9, 1.1))


def search(rng, do):
    """Attempts until the rule is satisfied, at most eight; ``do(rng, number)`` makes one."""
    attempts = []
    while judge_maximum(attempts).state == "more" and len(attempts) < 8:
        attempts.append(do(rng, len(attempts)))
    return judge_maximum(attempts)


def honest(rng, number):
    return attempt(rng, share=spread(rng))


def one_jerk(rng, number):
    return attempt(rng, share=spread(rng), jerk=0.6 if number == 1 else 0.0)


def all_jerks(rng, number):
    return attempt(rng, share=spread(rng), jerk=rng.uniform(0.4, 0.9))


def small_jerks(rng, number):
    return attempt(rng, share=spread(rng), jerk=0.12)


def moving_baselines(rng, number):
    return attempt(rng, share=spread(rng), drift=rng.choice([-1, 1]) * rng.uniform(0.12, 0.3))


def early_starts(rng, number):
    return attempt(rng, share=spread(rng), early_s=0.6)


def improving(rng, number):
    return attempt(rng, share=min(1.0, 0.6 + 0.1 * number) * spread(rng))


def scattered_half_hearted(rng, number):
    return attempt(rng, share=rng.uniform(0.4, 0.75))


def short(rng, number):
    return attempt(rng, share=spread(rng), push_s=rng.uniform(0.5, 2.5))


# name: athlete, least share settled right, largest share settled wrong (by more than 10 %). Two weaknesses are known,
# and bounded just above what is measured: three attempts that happen to agree are believed, whoever made them.
# Measured: learners 75.3 % right and 11.7 % wrong, scattered ones 49.7 % wrong.
TABLE = {
    "honest": (honest, 0.97, 0.0),
    "one attempt jerked": (one_jerk, 0.97, 0.0),
    "every attempt jerked": (all_jerks, 0.0, 0.0),
    "small jerks": (small_jerks, 0.95, 0.02),
    "moving baselines": (moving_baselines, 0.0, 0.0),
    "pushes before go": (early_starts, 0.0, 0.0),
    "learns while trying": (improving, 0.74, 0.13),
    "scattered, 40-75 %": (scattered_half_hearted, 0.0, 0.51),
    "lets go too early": (short, 0.0, 0.0),
}


@pytest.mark.parametrize("name", TABLE)
def test_decisions_against_truth(name, capsys):
    athlete, least_right, most_wrong = TABLE[name]
    rng = np.random.default_rng(7)
    verdicts = [search(rng, athlete) for _ in range(N_ATHLETES)]
    strengths = [v.strength for v in verdicts if v.strength is not None]
    n_right = sum(abs(s / TRUTH - 1) <= 0.1 for s in strengths)
    n_wrong = len(strengths) - n_right
    bias = 100 * (np.mean(strengths) / TRUTH - 1) if strengths else float("nan")
    with capsys.disabled():
        print(
            f"\n  {name:22} right {n_right / N_ATHLETES:5.1%}  wrong {n_wrong / N_ATHLETES:5.1%}  "
            f"not settled {1 - len(strengths) / N_ATHLETES:5.1%}  mean error of accepted {bias:+.1f} %",
            end="",
        )
    assert n_right / N_ATHLETES >= least_right
    assert n_wrong / N_ATHLETES <= most_wrong
