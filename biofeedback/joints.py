"""How long a joint's muscles hold an effort and how they recover: two population models side by side.

**The three-compartment model leads** wherever something is offered or expected: it alone knows rests and earlier
contractions, and it is the shorter one at hard efforts, where too long hurts. **The power law is the doubt**, shown
beside it: it was fitted to more people, but only to single holds. From 20 to 50 % they agree within two fifths and part
above: at 90 % of a knee 7 s stand against 24 s.

Power law, Frey-Law & Avin 2010: endurance time ``b0 x f^b1`` seconds at effort ``f`` (0-1), Ergonomics 53(1):109-129,
Table 2: 194 publications, fitted from 10 to 100 %. People spread by 29-47 % about it. There is no hip and no neck: the
knee, which shares its big muscles with the hip and tires sooner than most, stands in for the hip (common practice, no
source).

Compartments, Frey-Law, Looft & Heitsman, J Biomech 45 (2012) 1803: rested, active and fatigued shares of the muscle.
At rest recovery is faster by a factor: 15 for ankle, knee and elbow, 30 for the hand (Looft, Herkert & Frey-Law,
J Biomech 77 (2018) 16), 15 for the shoulder (Looft & Frey-Law 2020, abstract read); for trunk and general none is
published and 15 is assumed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import exp, inf, log
from types import MappingProxyType

LEAST_PERCENT, MOST_PERCENT = 10.0, 100.0


@dataclass(frozen=True, slots=True)
class JointEndurance:
    """One row of the table: ``b0`` in seconds, ``b1`` without unit."""

    name: str
    b0_s: float
    b1: float

    def time_s(self, effort_percent: float) -> float:
        """Predicted endurance at ``effort_percent``; outside 10-100 % it extrapolates."""
        if effort_percent <= 0:
            raise ValueError(f"effort {effort_percent} %: endurance is defined above 0")
        return float(self.b0_s * (effort_percent / 100.0) ** self.b1)

    def effort_percent(self, time_s: float) -> float:
        """The effort whose predicted endurance is ``time_s``: the inverse of ``time_s()``."""
        if time_s <= 0:
            raise ValueError(f"time {time_s} s: must be above 0")
        return float(100.0 * (time_s / self.b0_s) ** (1.0 / self.b1))


JOINTS = {
    row.name: row
    for row in (
        JointEndurance("general", 21.92, -1.98),
        JointEndurance("ankle", 34.71, -2.06),
        JointEndurance("trunk", 22.69, -2.27),
        JointEndurance("elbow", 17.98, -2.21),
        JointEndurance("hand", 33.55, -1.61),
        JointEndurance("knee", 19.38, -1.88),
        JointEndurance("shoulder", 14.86, -1.83),
    )
}
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
REST_FACTORS: Mapping[str, float] = MappingProxyType(
    {"general": 15.0, "ankle": 15.0, "trunk": 15.0, "elbow": 15.0, "hand": 30.0, "knee": 15.0, "shoulder": 15.0}
)
ASSUMED_REST = ("general", "trunk")
SYNONYMS = {"grip": "hand", "hand/grip": "hand", "back": "trunk"}
STAND_INS = {"hip": "knee"}
JOINT_NAMES = (*JOINTS, *STAND_INS)  # what an exercise may move


def find_joint(name: str) -> JointEndurance:
    """The row for ``name``, of what stands in for it, or "general": compare ``.name``, say ``explain_stand_in()``."""
    key = name.strip().lower()
    key = SYNONYMS.get(key, key)
    return JOINTS.get(STAND_INS.get(key, key), JOINTS["general"])


def explain_stand_in(name: str) -> str:
    """Which row stands in where there is no model for ``name``; empty where there is one."""
    key = name.strip().lower()
    row = find_joint(name).name
    if row == SYNONYMS.get(key, key):
        return ""
    used = "all joints together" if row == "general" else row
    return f"no model for {'the ' + key if key else 'an unnamed joint'}: {used} used"


@dataclass(frozen=True, slots=True)
class Muscle:
    """Three compartments: rested, active and fatigued shares, with the rates of one joint or of one person, in 1/s.

    Recovery is faster by ``rest_factor`` while at rest. Shares and efforts are in % of the fresh maximum.
    """

    fatigue_per_s: float
    recovery_per_s: float
    rest_factor: float

    def failure_s(self, effort_percent: float, fatigued_percent: float = 0.0) -> float | None:
        """Seconds until it can no longer supply ``effort_percent``; None: never.

        With the active part held at TL the fatigued part obeys dMF/dt = F TL - R MF; failure at MF = 1 - TL. From rest
        ET = -ln(1 - R (1 - TL) / (F TL)) / R, infinite at TL <= R / (F + R).
        """
        fatigue, recovery = self.fatigue_per_s, self.recovery_per_s
        load, start = _check_percent(effort_percent) / 100, _check_percent(fatigued_percent) / 100
        if start >= 1 - load:
            return 0.0
        ceiling = fatigue * load / recovery
        if ceiling <= 1 - load:
            return None
        return log((ceiling - start) / (ceiling - (1 - load))) / recovery

    def loss_s(self, effort_percent: float, low_percent: float, fatigued_percent: float = 0.0) -> float | None:
        """Seconds of holding ``effort_percent``, and after failure all that is left, until less than ``low_percent``.

        After failure nothing rests: dMF/dt = F - (F + R) MF, and the band is lost at MF = 1 - its edge. None: never.
        """
        until_s = self.failure_s(effort_percent, fatigued_percent)
        if until_s is None:
            return None
        start, end = max(1 - effort_percent / 100, fatigued_percent / 100), 1 - _check_percent(low_percent) / 100
        if start >= end:
            return until_s
        ceiling = self.fatigue_per_s / (self.fatigue_per_s + self.recovery_per_s)
        if ceiling <= end:
            return None
        return until_s + log((ceiling - start) / (ceiling - end)) / (self.fatigue_per_s + self.recovery_per_s)

    def fatigued_after(self, effort_percent: float, hold_s: float, fatigued_percent: float = 0.0) -> float:
        """Share that is fatigued after a hold, in %; after failure the effort is what there is to give."""
        fatigue, recovery = self.fatigue_per_s, self.recovery_per_s
        load, start = _check_percent(effort_percent) / 100, _check_percent(fatigued_percent) / 100
        failure_s = self.failure_s(effort_percent, fatigued_percent)
        until_s = min(hold_s, inf if failure_s is None else failure_s)
        ceiling = fatigue * load / recovery
        fatigued = ceiling + (start - ceiling) * exp(-recovery * until_s)
        if hold_s > until_s:
            ceiling = fatigue / (fatigue + recovery)
            fatigued = ceiling + (fatigued - ceiling) * exp(-(fatigue + recovery) * (hold_s - until_s))
        return 100 * fatigued

    def fatigued_after_rest(self, fatigued_percent: float, rest_s: float) -> float:
        """Share still fatigued after ``rest_s`` of rest, in %: MF exp(-r R t)."""
        return _check_percent(fatigued_percent) * exp(-self.rest_factor * self.recovery_per_s * rest_s)

    def rest_s(self, fatigued_percent: float, *, able_percent: float = 95.0) -> float:
        """Rest in s until ``able_percent`` is ready again; 0 when it is already."""
        left = 100 - able_percent
        if not 0 < left < 100:
            raise ValueError(f"able_percent {able_percent}: above 0 and below 100 (full recovery takes forever)")
        if _check_percent(fatigued_percent) <= left:
            return 0.0
        return log(fatigued_percent / left) / (self.rest_factor * self.recovery_per_s)


def muscle_of(joint: str) -> Muscle:
    """The published muscle of a row of the table."""
    return Muscle(*COMPARTMENTS[joint], REST_FACTORS[joint])


def predict_failure(effort_percent: float, *, joint: str = "general", fatigued_percent: float = 0.0) -> float | None:
    """`Muscle.failure_s` of a joint."""
    return muscle_of(joint).failure_s(effort_percent, fatigued_percent)


def predict_fatigue(
    effort_percent: float, hold_s: float, *, joint: str = "general", fatigued_percent: float = 0.0
) -> float:
    """`Muscle.fatigued_after` of a joint."""
    return muscle_of(joint).fatigued_after(effort_percent, hold_s, fatigued_percent)


def predict_recovery(
    fatigued_percent: float, rest_s: float, *, joint: str = "general", rest_factor: float | None = None
) -> float:
    """`Muscle.fatigued_after_rest` of a joint; the rest factor is the joint's own unless given."""
    return _with_factor(joint, rest_factor).fatigued_after_rest(fatigued_percent, rest_s)


def find_rest(
    fatigued_percent: float, *, able_percent: float = 95.0, joint: str = "general", rest_factor: float | None = None
) -> float:
    """`Muscle.rest_s` of a joint."""
    return _with_factor(joint, rest_factor).rest_s(fatigued_percent, able_percent=able_percent)


def _with_factor(joint: str, rest_factor: float | None) -> Muscle:
    muscle = muscle_of(joint)
    return muscle if rest_factor is None else replace(muscle, rest_factor=rest_factor)


def _check_percent(value: float) -> float:
    if not 0 <= value <= 100:
        raise ValueError(f"{value} %: 0 to 100 is possible")
    return value
