"""What a trial over evenings holds on simulated people whose truth is known: coverage, false words, power.

Run: python tests/benchmarks/trial_table.py [trials], or trial_table.py [trials] power for the last table alone

Evenings scatter by ``sd`` around the way's effect and the block's level; a part of the effect of the evening before
stays (carry-over); evenings are missed, swapped within the block, or done as another way.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np
from scipy.stats import nct
from scipy.stats import t as student

from biofeedback.analysis.trial import (
    LOOK_P,
    N_LOOK_MIN,
    Schedule,
    TrialEvening,
    analyse_trial,
    draw_schedule,
)

WAYS = ("nothing", "warmth", "massage", "light contraction")
N_TRIALS = 400
N_BLOCKS_MAX = 12


@dataclass(frozen=True, slots=True)
class Person:
    """``effects`` by way, in points; shares of evenings missed, swapped with the next, done as another way."""

    effects: tuple[float, ...]
    sd: float = 1.0
    block_sd: float = 0.5
    carry: float = 0.0
    missed: float = 0.0
    swapped: float = 0.0
    otherwise: float = 0.0

    def hold(self, schedule: Schedule, random: np.random.Generator) -> list[TrialEvening]:
        """The evenings of one trial."""
        k = len(schedule.ways)
        done = list(schedule.order)
        for place in range(len(done) - 1):
            if (place + 1) % k and random.random() < self.swapped:
                done[place], done[place + 1] = done[place + 1], done[place]
        done = [str(random.choice(schedule.ways)) if random.random() < self.otherwise else way for way in done]
        levels = random.normal(6.0, self.block_sd, schedule.n_blocks)
        evenings, before = [], 0.0
        for place, way in enumerate(done):
            effect = self.effects[schedule.ways.index(way)]
            outcome = levels[place // k] + effect + self.carry * before + random.normal(0.0, self.sd)
            is_missed = random.random() < self.missed
            before = 0.0 if is_missed else effect
            number = place + 1
            evenings.append(
                TrialEvening(number, schedule.order[place], "" if is_missed else way, None if is_missed else outcome)
            )
        return evenings


def cover(person: Person, n_blocks: int, n_trials: int) -> float:
    """Share of the 95 % intervals, over all pairs, that hold the true difference."""
    ways, held, n = WAYS[: len(person.effects)], 0, 0
    for seed in range(n_trials):
        schedule = draw_schedule(ways, n_blocks, seed=seed)
        evenings = person.hold(schedule, np.random.default_rng([7, seed]))
        for one in analyse_trial(schedule, evenings, by_draw=False).differences:
            if one.low is not None and one.high is not None:
                truth = person.effects[ways.index(one.first)] - person.effects[ways.index(one.second)]
                held, n = held + (one.low <= truth <= one.high), n + 1
    return 100 * held / n


def count_false(person: Person, n_trials: int) -> float:
    """Share of trials without any difference in which a pair passes the limit at any look of 3, 4, ... 12 blocks.

    By the t test's limit alone, which the draw's p can only make stricter.
    """
    ways, n_false = WAYS[: len(person.effects)], 0
    for seed in range(n_trials):
        schedule = draw_schedule(ways, N_BLOCKS_MAX, seed=seed)
        evenings = person.hold(schedule, np.random.default_rng([8, seed]))
        n_false += any(
            find_p(schedule, evenings[: look * len(ways)]) <= LOOK_P[len(ways)]
            for look in range(N_LOOK_MIN, N_BLOCKS_MAX + 1)
        )
    return 100 * n_false / n_trials


def find_p(schedule: Schedule, evenings: list[TrialEvening]) -> float:
    """The smallest p of the t test of any pair, from its interval."""
    answer = analyse_trial(schedule, evenings, by_draw=False)
    n = sum(answer.n_by_way.values())
    df = n - answer.n_blocks - len(schedule.ways) + 1
    smallest = 1.0
    for one in answer.differences:
        if one.difference is not None and one.high is not None and one.high > one.difference and df > 0:
            error = (one.high - one.difference) / student.ppf(0.975, df)
            smallest = min(smallest, float(2 * student.sf(abs(one.difference) / error, df)))
    return smallest


def find(difference: float, n_blocks: int, n_trials: int) -> tuple[float, float, float]:
    """How often the first way is found below the second: at one planned look by the draw (p at most 0.05, two-sided;
    one-sided), and by the word, which holds at every look."""
    person = Person((difference, 0.0, 0.0, 0.0))
    once = sided = word = 0
    for seed in range(n_trials):
        schedule = draw_schedule(WAYS, n_blocks, seed=seed)
        evenings = person.hold(schedule, np.random.default_rng([9, seed]))
        (one, *_) = analyse_trial(schedule, evenings).differences
        is_below = one.difference is not None and one.difference < 0 and one.p is not None
        once += bool(is_below and one.p is not None and one.p <= 0.05)
        sided += bool(is_below and one.p is not None and one.p <= 0.10)
        word += one.word == "lower"
    return 100 * once / n_trials, 100 * sided / n_trials, 100 * word / n_trials


def find_ceiling(difference: float, n_blocks: int, alpha: float, n_ways: int = len(WAYS)) -> float:
    """The power of the t test of one pair in complete blocks, sd 1, exactly, by the noncentral t distribution."""
    df = (n_ways - 1) * (n_blocks - 1)
    return 100 * float(nct.sf(student.isf(alpha, df), df, abs(difference) / np.sqrt(2 / n_blocks)))


def main() -> None:
    n_trials = int(sys.argv[1]) if len(sys.argv) > 1 else N_TRIALS
    if "power" not in sys.argv:
        tell_coverage(n_trials)
    tell_power(n_trials)


def tell_coverage(n_trials: int) -> None:
    print("coverage of the 95 % intervals (wanted: 93 to 97 %)")
    for effects in ((-2.0, 0.0), (-2.0, 0.0, -1.0), (-2.0, 0.0, -1.0, 0.5)):
        for sd in (0.5, 1.0, 1.5):
            clean = cover(Person(effects, sd), 6, n_trials)
            untidy = cover(Person(effects, sd, missed=0.1, swapped=0.1, otherwise=0.05), 6, n_trials)
            carried = [cover(Person(effects, sd, carry=carry), 6, n_trials) for carry in (0.1, 0.2)]
            print(f"  {len(effects)} ways, sd {sd}: {clean:.1f}; missed, swapped, otherwise {untidy:.1f}; "
                  f"carry-over of 10 %, 20 % {carried[0]:.1f}, {carried[1]:.1f}")  # fmt: skip
    print("a word without any difference at any look of 3 to 12 blocks (wanted: at most 5 %)")
    for n_ways in (2, 3, 4):
        nothing = (0.0,) * n_ways
        clean = count_false(Person(nothing), n_trials)
        untidy = count_false(Person(nothing, missed=0.1, swapped=0.1, otherwise=0.05), n_trials)
        print(f"  {n_ways} ways: {clean:.1f}; missed, swapped, otherwise {untidy:.1f}")


def tell_power(n_trials: int) -> None:
    print("found, four ways, sd 1, two-sided and one-sided 5 %: p of the draw; the most that any test can, which knows")
    print("that evenings are normal and nothing is carried over (exact t test with blocks); a reference run; the word")
    for difference, n_blocks, reference in ((-1.5, 6, 77), (-2.0, 6, 94), (-2.0, 4, 79)):
        two, one, word = find(difference, n_blocks, n_trials)
        most = [find_ceiling(difference, n_blocks, alpha) for alpha in (0.025, 0.05)]
        print(f"  {difference} in {n_blocks} blocks: {two:.1f}, {one:.1f}; at most {most[0]:.1f}, {most[1]:.1f}; "
              f"{reference}; {word:.1f}")  # fmt: skip


if __name__ == "__main__":
    main()
