"""Masses, forces and torques. A mass pulls with standard gravity; local gravity differs by up to 0.27 %."""

from __future__ import annotations

from biofeedback.errors import CalibrationError
from biofeedback.model import STANDARD_GRAVITY_M_PER_S2

KG_PER_LB = 0.45359237  # exact, international avoirdupois pound
NEWTON_PER_UNIT = {
    "N": 1.0,
    "kN": 1000.0,
    "kg": STANDARD_GRAVITY_M_PER_S2,
    "kgf": STANDARD_GRAVITY_M_PER_S2,
    "g": STANDARD_GRAVITY_M_PER_S2 / 1000.0,
    "lb": KG_PER_LB * STANDARD_GRAVITY_M_PER_S2,
    "lbf": KG_PER_LB * STANDARD_GRAVITY_M_PER_S2,
}
TORQUE = "N·m"


def to_newton(value: float, unit: str) -> float:
    """A mass or force in newtons; kg, g and lb are masses hanging still."""
    if unit not in NEWTON_PER_UNIT:
        raise CalibrationError(f"unit {unit!r} is not known", f"use one of {', '.join(NEWTON_PER_UNIT)}")
    return value * NEWTON_PER_UNIT[unit]


def convert_force(value: float, unit: str, to_unit: str, *, lever_arm_m: float | None = None) -> float:
    """A force, mass or torque in another unit; between force and torque with the lever arm (perpendicular distance).

    Raises
    ------
    CalibrationError
        Unknown unit, or force to torque without a lever arm.
    """
    if unit == to_unit:
        return value
    if TORQUE in (unit, to_unit) and (lever_arm_m is None or lever_arm_m <= 0):
        raise CalibrationError(
            f"{unit} cannot become {to_unit} without a lever arm",
            "give the perpendicular distance from joint to strap in metres",
        )
    arm_m = lever_arm_m or 1.0
    newton = value / arm_m if unit == TORQUE else to_newton(value, unit)
    return newton * arm_m if to_unit == TORQUE else newton / to_newton(1.0, to_unit)


def per_body_mass(value: float, body_mass_kg: float) -> float:
    """N/kg or N·m/kg, the form in which strength is compared between people."""
    if not body_mass_kg > 0:
        raise CalibrationError(f"body mass is {body_mass_kg:g} kg", "enter it in kilograms, above 0")
    return value / body_mass_kg
