"""How long a joint's muscles can hold an effort: Frey-Law & Avin 2010.

Endurance time ``b0 x f^b1`` seconds at effort ``f`` (0-1), Ergonomics 53(1):109-129, Table 2: 194 publications, fitted
from 10 to 100 %. People spread by 29-47 % about it. There is no hip and no neck.
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


def find_joint(name: str) -> JointEndurance:
    """The row for ``name``; "general" where there is none (hip, neck, or not said): compare ``.name`` and say so."""
    key = name.strip().lower()
    return JOINTS.get(SYNONYMS.get(key, key), JOINTS["general"])
