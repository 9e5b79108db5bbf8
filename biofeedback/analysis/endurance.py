"""How long an effort can be held and how long to rest after it, from the population models in ``joints``."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

from biofeedback.joints import (
    ASSUMED_REST,
    LEAST_PERCENT,
    MOST_PERCENT,
    REST_FACTORS,
    explain_stand_in,
    find_joint,
    find_rest,
    predict_failure,
    predict_fatigue,
)

SPREAD = 0.47  # people differ from the prediction by 29 to 47 % (Frey-Law, Looft & Heitsman 2012); the wider is used
SHORTEST_REST_S = 30.0  # common practice


@dataclass(frozen=True, slots=True)
class Endurance:
    """Predicted time in s until an effort can no longer be held, and its range between people and models.

    ``expected_s`` is the three-compartment model's, which leads; ``power_law_s`` is the other, shown as doubt. None
    with ``reason`` outside the models; ``reason`` also says when another joint's model had to be used.
    """

    effort_percent: float
    joint: str
    expected_s: float | None
    power_law_s: float | None
    low_s: float | None
    high_s: float | None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class SetSuggestion:
    """Hold and rest for the next set, both in s; ``stop_s`` is when to stop in any case; None with ``reason``."""

    hold_s: float | None
    rest_s: float | None
    stop_s: float | None
    joint: str
    reason: str


def predict_endurance(effort_percent: float, *, joint_name: str = "") -> Endurance:
    """Both models for an effort of 10 to 100 %; the power law has thin data below 25 %.

    ``joint_name`` may be any; where there is no model (hip, neck) that of another is used, and said. The range is
    from the shorter model less the spread between people to the longer one plus it.
    """
    row = find_joint(joint_name)
    if not LEAST_PERCENT <= effort_percent <= MOST_PERCENT:
        reason = f"{effort_percent:.0f} % lies outside the 10-100 % that endurance was measured at"
        return Endurance(effort_percent, row.name, None, None, None, None, reason)
    power_s = row.time_s(effort_percent)
    expected_s = predict_failure(effort_percent, joint=row.name)
    if expected_s is None:
        reason = f"at {effort_percent:.0f} % the model of the {row.name} never tires"
        return Endurance(effort_percent, row.name, None, power_s, None, None, reason)
    low_s, high_s = (1 - SPREAD) * min(expected_s, power_s), (1 + SPREAD) * max(expected_s, power_s)
    return Endurance(effort_percent, row.name, expected_s, power_s, low_s, high_s, explain_stand_in(joint_name))


def suggest_set(
    effort_percent: float, *, joint_name: str = "", share: float = 0.5, measured_s: float | None = None
) -> SetSuggestion:
    """Hold ``share`` of the endurance at this effort (0.5, *common practice*; 1 is to fatigue), then rest until 95 %.

    ``measured_s`` is how long this person held this effort before leaving the band; it replaces the prediction, within
    half the shorter and twice the longer of both models.
    """
    predicted = predict_endurance(effort_percent, joint_name=joint_name)
    joint = predicted.joint
    if predicted.expected_s is None or predicted.power_law_s is None:
        return SetSuggestion(None, None, None, joint, predicted.reason)
    spread = f"{predicted.low_s:.0f} to {predicted.high_s:.0f} s between people"
    doubt = f"the power law says {predicted.power_law_s:.0f} s (Frey-Law & Avin 2010)"
    expected_s = predicted.expected_s
    source = f"three-compartment model for {joint} (Frey-Law et al. 2012); {doubt}; {spread}"
    if measured_s is not None and measured_s > 0:
        least_s, most_s = (factor(predicted.expected_s, predicted.power_law_s) for factor in (min, max))
        expected_s = min(max(measured_s, least_s / 2), most_s * 2)
        kept = "" if expected_s == measured_s else f", kept within half and twice the {least_s:.0f} to {most_s:.0f} s"
        source = f"this person's own hold of {measured_s:.0f} s{kept}{' predicted' if kept else ''}"
    hold_s = _round_to_5(share * expected_s)
    fatigued = predict_fatigue(effort_percent, hold_s, joint=joint)
    rest_s = max(SHORTEST_REST_S, 5.0 * ceil(find_rest(fatigued, joint=joint) / 5))
    assumed = ", assumed" if joint in ASSUMED_REST else ""
    reason = (
        f"hold: {100 * share:.0f} % of {expected_s:.0f} s, {source}; rest: until 95 % is ready again, "
        f"three-compartment model, rest factor of the {joint} {REST_FACTORS[joint]:g}{assumed} (Looft 2018, 2020)"
    )
    return SetSuggestion(
        hold_s, rest_s, expected_s, joint, f"{reason}; {predicted.reason}" if predicted.reason else reason
    )


def _round_to_5(seconds: float) -> float:
    return max(5.0, 5.0 * round(seconds / 5))
