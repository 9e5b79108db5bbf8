import pytest

from biofeedback.calibration.units import convert_force, per_body_mass, to_newton
from biofeedback.errors import CalibrationError


# Standard gravity 9.80665 m/s2 exactly (3rd CGPM 1901) and the pound of 0.45359237 kg: from memory, certain.
@pytest.mark.parametrize(
    ("value", "unit", "newton"),
    [
        (72.5, "kg", 710.982125),
        (1.0, "lb", 4.4482216152605),
        (1.0, "lbf", 4.4482216152605),
        (1.0, "kgf", 9.80665),
        (1000.0, "g", 9.80665),
        (3.0, "N", 3.0),
        (2.0, "kN", 2000.0),
    ],
)
def test_masses_pull_with_standard_gravity(value, unit, newton):
    assert to_newton(value, unit) == pytest.approx(newton, rel=1e-14)


def test_lever_arm_turns_force_into_torque_and_back():
    assert convert_force(100.0, "N", "N·m", lever_arm_m=0.35) == pytest.approx(35.0)
    assert convert_force(35.0, "N·m", "kg", lever_arm_m=0.35) == pytest.approx(100.0 / 9.80665)
    assert convert_force(35.0, "N·m", "N·m") == 35.0
    assert convert_force(100.0, "lbf", "kgf") == pytest.approx(45.359237, rel=1e-12)
    assert convert_force(2.0, "kN", "lb") == pytest.approx(2000 / 4.4482216152605, rel=1e-12)


def test_refusals():
    with pytest.raises(CalibrationError, match="without a lever arm; give the perpendicular distance"):
        convert_force(1.0, "N", "N·m")
    with pytest.raises(CalibrationError, match="'stone' is not known; use one of N,"):
        to_newton(1.0, "stone")
    with pytest.raises(CalibrationError, match="body mass is 0 kg"):
        per_body_mass(1.0, 0.0)
    assert per_body_mass(710.0, 71.0) == pytest.approx(10.0)
