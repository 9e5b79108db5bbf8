"""How often a maximum is false, and how often a good attempt is refused. Run: python tests/benchmarks/maximum_table.py

A search of up to five attempts by the rules; "false": it settles more than 5 % beside the truth (EMG: 10 %).
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from biofeedback.account.values import Attempt
from biofeedback.calibration.maximum_rule import EMG_TOLERANCE_PERCENT, judge_maximum
from biofeedback.model import FloatArray
from tests.made_attempts import (
    Board,
    add_bounce,
    add_glitches,
    add_pop,
    add_tug,
    judge,
    make_emg,
    make_force,
    measure_truth,
)

FALSE_PERCENT = {"force": 5.0, "emg": 10.0}
FORCE_10, FORCE_12 = (Board("force", rate, 1.0, 100, last) for rate, last in ((80, 1023.0), (1000, 4095.0)))
FORCE_24 = Board("force", 80, 2000.0, 5000, 8388607.0, -8388608.0)
EMG_10, EMG_12 = Board("emg", 1000, 0.5, 512, 1023.0), Board("emg", 1000, 1.0, 2048, 4095.0)
Fault = Callable[[np.random.Generator, FloatArray, int], FloatArray]


def leave(_rng: np.random.Generator, x: FloatArray, _rate_hz: int) -> FloatArray:
    """Nothing goes wrong."""
    return x


def soften(end: float) -> Fault:
    """An amplifier that ends before its converter does, not quite still there."""

    def fault(rng: np.random.Generator, x: FloatArray, _rate_hz: int) -> FloatArray:
        return np.minimum(x, end + rng.normal(0, 0.4, x.size))

    return fault


CASES: tuple[tuple[str, Board, tuple[float, float], Fault], ...] = (
    ("force, 10 bit at its end", FORCE_10, (1000, 3000), leave),
    ("force, 10 bit, rails declared", replace(FORCE_10, declared=True), (1000, 3000), leave),
    ("force, 12 bit at its end", FORCE_12, (4200, 9000), leave),
    ("force, 12 bit, rails declared", replace(FORCE_12, declared=True), (4200, 9000), leave),
    ("force, the amplifier ends at 3300", FORCE_12, (3600, 6000), soften(3300.0)),
    ("force, 24 bit, jumps of one reading", FORCE_24, (300, 900), lambda r, x, f: add_glitches(r, x, f, 2, 600)),
    (
        "force, bounces of 25 % and more",
        FORCE_24,
        (300, 900),
        lambda r, x, f: add_bounce(r, x, f, r.uniform(0.25, 0.5)),
    ),
    ("EMG, 10 bit at its ends", EMG_10, (900, 2500), leave),
    ("EMG, 12 bit, rails declared", replace(EMG_12, declared=True), (1500, 4000), leave),
    ("EMG, pops", EMG_12, (150, 500), lambda r, x, f: add_pop(r, x, f, r.uniform(600, 1500))),
    ("EMG, a pop now and then", EMG_12, (150, 500), lambda r, x, f: add_pop(r, x, f, 1500) if r.random() < 0.4 else x),
    ("EMG, tugs at the cable", EMG_12, (150, 500), lambda r, x, f: add_tug(r, x, f, r.uniform(500, 1500))),
    ("EMG, glitches of one reading", EMG_12, (150, 400), lambda r, x, f: add_glitches(r, x, f, 3, 1500)),
)
GOOD: tuple[tuple[str, Board, tuple[float, float]], ...] = (
    ("force, 10 bit", FORCE_10, (150, 850)),
    ("force, 12 bit", FORCE_12, (200, 3500)),
    ("force, 24 bit", FORCE_24, (100, 1500)),
    ("EMG, 10 bit", EMG_10, (60, 250)),
    ("EMG, 12 bit", EMG_12, (60, 500)),
)


def make(board: Board, rng: np.random.Generator, maximum: float) -> FloatArray:
    """One attempt in the board's unit."""
    return (make_force if board.kind == "force" else make_emg)(rng, board.rate_hz, maximum)


def search(
    board: Board, span: tuple[float, float], fault: Fault, seed: int
) -> tuple[float | None, float, list[Attempt]]:
    """The maximum that settles, if one does, the truth, and all attempts."""
    rng = np.random.default_rng(seed)
    maximum, attempts, truths = rng.uniform(*span), [], []
    tolerance = EMG_TOLERANCE_PERCENT if board.kind == "emg" else 5.0
    for _ in range(6):
        values = make(board, rng, maximum * rng.normal(1, 0.03 if board.kind == "emg" else 0.015))
        truths.append(measure_truth(board, values))
        attempts.append(judge(board, fault(rng, values, board.rate_hz)))
        verdict = judge_maximum(attempts, tolerance_percent=tolerance)
        if verdict.state != "more":
            break
    best = verdict.best_index
    truth = max(truths) if best is None else truths[best]
    return verdict.strength, truth, attempts


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--n", type=int, default=40, help="searches per fault; 40 are 520 in all")
    n = parser.parse_args().n
    print(f"{'what goes wrong':38} {'false':>9} {'settled':>8} {'refused':>8}  first reason")
    n_false = 0
    for name, board, span, fault in CASES:
        done = [search(board, span, fault, seed) for seed in range(n)]
        limit = FALSE_PERCENT[board.kind] / 100
        false = sum(s is not None and abs(s / truth - 1) > limit for s, truth, _ in done)
        attempts = [attempt for _, _, each in done for attempt in each]
        reasons = [attempt.reason for attempt in attempts if attempt.reason]
        n_false += false
        settled = sum(s is not None for s, _, _ in done)
        share = 100 * len(reasons) / len(attempts)
        print(f"{name:38} {false:>4} of {n:>2} {settled:>8} {share:>6.0f} %  {(reasons or [''])[0][:80]}")
    print(f"{'all':38} {n_false:>4} of {n * len(CASES)}")
    for name, board, span in GOOD:
        attempts = []
        for seed in range(5 * n):
            rng = np.random.default_rng(1000 + seed)
            attempts.append(judge(board, make(board, rng, rng.uniform(*span))))
        reasons = [attempt.reason for attempt in attempts if attempt.reason]
        told = sum(bool(attempt.told) for attempt in attempts)
        print(f"good: {name:32} {len(reasons):>4} of {len(attempts)} refused, {told} told  {(reasons or [''])[0][:80]}")


if __name__ == "__main__":
    main()
