"""How long an effort can be held and how long to rest after it: population models, joint by joint, none for the hip."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import ceil, exp, inf, log
from types import MappingProxyType

from biofeedback.calibration.joints import LEAST_PERCENT, MOST_PERCENT, find_joint

SPREAD = 0.47  # people differ from the prediction by 29 to 47 % (Frey-Law, Looft & Heitsman 2012); the wider is used
REST_FACTOR = 15.0  # recovery at rest is faster (Looft, Herkert & Frey-Law, J Biomech 77 (2018) 16: ankle, knee, elbow)
SHORTEST_REST_S = 30.0  # common practice

# fatigue rate F and recovery rate R in 1/s (Frey-Law, Looft & Heitsman, J Biomech 45 (2012) 1803, table 1)
COMPARTMENTS: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "general": (0.00970, 0.00091),
        "ankle": (0.00589, 0.00058),
        "trunk": (0.00755, 0.00075),
        "elbow": (0.00912, 0.00094),
        "hand": (0.00980, 0.00064),
        "knee": (0.01500, 0.00149),
        "shoulder": (0.01820, 0.00168),
    }
)


@dataclass(frozen=True, slots=True)
class Endurance:
    """Predicted time in s until an effort can no longer be held, and its range between people.

    None with ``reason`` outside the model; ``reason`` also says when another joint's model had to be used.
    """

    effort_percent: float
    joint: str
    expected_s: float | None
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
    """Power law of Frey-Law & Avin (2010) for efforts of 10 to 100 %; thin data below 25 %.

    ``joint_name`` may be any; where there is no model (hip, neck) that of all joints together is used, and said.
    """
    row = find_joint(joint_name)
    if not LEAST_PERCENT <= effort_percent <= MOST_PERCENT:
        reason = f"{effort_percent:.0f} % lies outside the 10-100 % that endurance was measured at"
        return Endurance(effort_percent, row.name, None, None, None, reason)
    expected_s = row.time_s(effort_percent)
    note = ""
    if row.name == "general" and joint_name.strip().lower() != "general":
        note = f"no endurance model for {joint_name or 'an unnamed joint'}: that of all joints together is used"
    return Endurance(effort_percent, row.name, expected_s, (1 - SPREAD) * expected_s, (1 + SPREAD) * expected_s, note)


def predict_failure(effort_percent: float, *, joint: str = "general", fatigued_percent: float = 0.0) -> float | None:
    """Seconds until the three-compartment model can no longer supply ``effort_percent``; None: never.

    With the active part held at TL the fatigued part obeys dMF/dt = F TL - R MF; failure at MF = 1 - TL. From rest
    ET = -ln(1 - R (1 - TL) / (F TL)) / R, infinite at TL <= R / (F + R).
    """
    fatigue, recovery = COMPARTMENTS[joint]
    load, start = _check_percent(effort_percent) / 100, _check_percent(fatigued_percent) / 100
    if start >= 1 - load:
        return 0.0
    ceiling = fatigue * load / recovery
    if ceiling <= 1 - load:
        return None
    return log((ceiling - start) / (ceiling - (1 - load))) / recovery


def predict_fatigue(
    effort_percent: float, hold_s: float, *, joint: str = "general", fatigued_percent: float = 0.0
) -> float:
    """Share of the muscle that is fatigued after a hold, in %; after failure the effort is what the model can give."""
    fatigue, recovery = COMPARTMENTS[joint]
    load, start = _check_percent(effort_percent) / 100, _check_percent(fatigued_percent) / 100
    failure_s = predict_failure(effort_percent, joint=joint, fatigued_percent=fatigued_percent)
    until_s = min(hold_s, inf if failure_s is None else failure_s)
    ceiling = fatigue * load / recovery
    fatigued = ceiling + (start - ceiling) * exp(-recovery * until_s)
    if hold_s > until_s:
        ceiling = fatigue / (fatigue + recovery)
        fatigued = ceiling + (fatigued - ceiling) * exp(-(fatigue + recovery) * (hold_s - until_s))
    return 100 * fatigued


def predict_recovery(
    fatigued_percent: float, rest_s: float, *, joint: str = "general", rest_factor: float = REST_FACTOR
) -> float:
    """Share still fatigued after ``rest_s`` of rest, in %: MF exp(-r R t)."""
    return _check_percent(fatigued_percent) * exp(-rest_factor * COMPARTMENTS[joint][1] * rest_s)


def find_rest(
    fatigued_percent: float, *, able_percent: float = 95.0, joint: str = "general", rest_factor: float = REST_FACTOR
) -> float:
    """Rest in s until ``able_percent`` of the muscle is ready again; 0 when it is already."""
    left = 100 - able_percent
    if not 0 < left < 100:
        raise ValueError(f"able_percent {able_percent}: above 0 and below 100 (full recovery takes forever)")
    if _check_percent(fatigued_percent) <= left:
        return 0.0
    return log(fatigued_percent / left) / (rest_factor * COMPARTMENTS[joint][1])


def suggest_set(
    effort_percent: float, *, joint_name: str = "", share: float = 0.5, measured_s: float | None = None
) -> SetSuggestion:
    """Hold ``share`` of the endurance at this effort (0.5, *common practice*; 1 is to fatigue), then rest until 95 %.

    ``measured_s`` is how long this person held this effort before leaving the band; it replaces the prediction, at
    most doubling or halving it.
    """
    predicted = predict_endurance(effort_percent, joint_name=joint_name)
    joint = predicted.joint
    if predicted.expected_s is None:
        return SetSuggestion(None, None, None, joint, predicted.reason)
    spread = f"{predicted.low_s:.0f} to {predicted.high_s:.0f} s between people"
    expected_s, source = predicted.expected_s, f"power law for {joint} (Frey-Law & Avin 2010; {spread})"
    if measured_s is not None and measured_s > 0:
        expected_s = min(max(measured_s, predicted.expected_s / 2), predicted.expected_s * 2)
        kept = (
            ""
            if expected_s == measured_s
            else f", kept within a factor of 2 of the {predicted.expected_s:.0f} s predicted"
        )
        source = f"this person's own hold of {measured_s:.0f} s{kept}"
    hold_s = _round_to_5(share * expected_s)
    fatigued = predict_fatigue(effort_percent, hold_s, joint=joint)
    rest_s = max(SHORTEST_REST_S, 5.0 * ceil(find_rest(fatigued, joint=joint) / 5))
    reason = (
        f"hold: {100 * share:.0f} % of {expected_s:.0f} s, {source}; rest: until 95 % is ready again, "
        f"three-compartment model for {joint} (Frey-Law et al. 2012, r = {REST_FACTOR:g})"
    )
    return SetSuggestion(
        hold_s, rest_s, expected_s, joint, f"{reason}; {predicted.reason}" if predicted.reason else reason
    )


def _check_percent(value: float) -> float:
    if not 0 <= value <= 100:
        raise ValueError(f"{value} %: 0 to 100 is possible")
    return value


def _round_to_5(seconds: float) -> float:
    return max(5.0, 5.0 * round(seconds / 5))
