"""Orders and efforts drawn by lot, stored in the plan before the session starts."""

from __future__ import annotations

import secrets
from collections.abc import Callable
from dataclasses import asdict, replace

import numpy as np

from biofeedback.analysis.randomisation import draw_levels, draw_order
from biofeedback.session.plan import Plan


def randomise_plan(plan: Plan, *, make_seed: Callable[[], int] = lambda: secrets.randbits(32)) -> Plan:
    """The plan as it will be held: its order and efforts drawn by lot afresh, if it asks for that."""
    contracts = [phase for phase in plan.phases if phase.meaning.contracts]
    if plan.randomise == "control":
        plan = _randomise_control(plan, make_seed())
    elif plan.randomise:
        passive = next(phase for phase in plan.phases if phase.kind == "passive")
        drawn = draw_order(len(contracts), seed=make_seed(), design=plan.randomise)  # type: ignore[arg-type]  # validated
        templates = {"passive": passive, "contract": contracts[0]}
        phases = [replace(templates[kind], cycle=1 + index // 2) for index, kind in enumerate(drawn.order)]
        plan = replace(plan, phases=tuple(phases), drawn={"order": drawn.to_dict()})
    if plan.randomise_bands:
        n_rounds = -(-len(contracts) // len(plan.randomise_bands))
        middles = {(band.low_percent + band.high_percent) / 2: band for band in plan.randomise_bands}
        levels = draw_levels(tuple(middles), n_rounds, seed=make_seed())
        order = iter(levels.order)
        phases = [
            replace(phase, band=middles[next(order)]) if phase.meaning.contracts else phase for phase in plan.phases
        ]
        plan = replace(plan, phases=tuple(phases), drawn={**(plan.drawn or {}), "levels": asdict(levels)})
    return plan


def _randomise_control(plan: Plan, seed: int) -> Plan:
    """In each pair of a contraction and a remote one the lot says which comes first; all else stays in its place."""
    places = [index for index, phase in enumerate(plan.phases) if phase.kind in ("contract", "remote")]
    phases = list(plan.phases)
    swaps = np.random.default_rng(seed).integers(0, 2, len(places) // 2)
    for swap, first, second in zip(swaps, places[::2], places[1::2], strict=True):
        if swap:
            phases[first], phases[second] = phases[second], phases[first]
    order = [phases[place].kind for place in places]
    return replace(plan, phases=tuple(phases), drawn={"control": {"seed": seed, "order": order}})
