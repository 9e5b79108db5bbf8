"""Time constants of discomfort from a slider: how often their 95 % intervals hold the truth. Simulated athletes.

    python tests/benchmarks/bench_slider.py [sessions] [first seed]

Without a first seed it is drawn, and printed, so that no run is tuned to its sessions.
Each session: relax and contract 20 s in turn, five times; discomfort follows with time constants drawn for each
athlete, drifts, and is rated with scatter that is correlated over about a second, in hundredths, a fifth untouched.
"""

from __future__ import annotations

import secrets
import sys

import numpy as np

from biofeedback.analysis.sliding import fit_paces

RATE_HZ = 5.0
PHASE_S = 20.0


def simulate(seed: int) -> tuple[np.ndarray, list[tuple[int, int, bool]], float, float]:
    """Ratings (n,) at 5 Hz, the phases, and the true time constants of onset and offset in s."""
    random = np.random.default_rng(seed)
    onset_s, offset_s = random.uniform(1.5, 8.0, 2)
    n = round(PHASE_S * RATE_HZ)
    phases = [(k * n, (k + 1) * n, k % 2 == 1) for k in range(11)]
    change, drift = -random.uniform(1.5, 3.5), random.normal(0, 0.3) / 60
    state, course = 0.0, []
    for first, end, contracts in phases:
        tau, target = (onset_s, 1.0) if contracts else (offset_s, 0.0)
        for _ in range(first, end):
            state = target + (state - target) * np.exp(-1 / RATE_HZ / tau)
            course.append(state)
    t = np.arange(len(course)) / RATE_HZ
    rho = np.exp(-1 / RATE_HZ / 1.0)
    scatter, noise = 0.0, []
    for jump in random.normal(0, 0.3 * np.sqrt(1 - rho**2), len(course)):
        scatter = rho * scatter + jump
        noise.append(scatter)
    rated = np.clip(5.5 + change * np.array(course) + drift * t + np.array(noise), 0, 10)
    rated = np.round(rated, 2)
    for start in random.uniform(0, t[-1], 11):  # the thumb is lifted now and then
        rated[(t >= start) & (t < start + 4.0)] = np.nan
    return rated, phases, float(onset_s), float(offset_s)


def measure(n_sessions: int, first_seed: int) -> tuple[float, float, float]:
    """Share in % of intervals that hold the truth, onset and offset; and of sessions with an answer."""
    hits, n_answered = np.zeros(2), 0
    for seed in range(first_seed, first_seed + n_sessions):
        rated, phases, onset_s, offset_s = simulate(seed)
        paces = fit_paces(rated, RATE_HZ, phases)
        if paces.onset is None or paces.offset is None:
            continue
        n_answered += 1
        hits += [
            paces.onset.low_s <= onset_s <= paces.onset.high_s,
            paces.offset.low_s <= offset_s <= paces.offset.high_s,
        ]
    return 100 * hits[0] / n_answered, 100 * hits[1] / n_answered, 100 * n_answered / n_sessions


if __name__ == "__main__":
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    first = int(sys.argv[2]) if len(sys.argv) > 2 else secrets.randbelow(2**31)
    onset, offset, answered = measure(n, first)
    print(f"{n} sessions from seed {first}, {answered:.1f} % with an answer")
    print(f"onset held by its interval:  {onset:.1f} %   (wanted 95 %)")
    print(f"offset held by its interval: {offset:.1f} %   (wanted 95 %)")
