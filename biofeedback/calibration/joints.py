"""How long a joint's muscles can hold an effort: Frey-Law & Avin 2010.

Endurance time ``b0 x f^b1`` seconds at effort ``f`` (0-1), Ergonomics 53(1):109-129, Table 2: 194 publications, fitted
from 10 to 100 %. People spread by 29-47 % about it. There is no hip and no neck: the knee, which shares its big muscles
with the hip and tires sooner than most, stands in for the hip (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass

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
