"""Does each rig measure the push? Statics and anatomy computed here, from the landmarks alone.

Which way a joint turns is anatomy (flexion brings the front of the body together; common textbook definition, from
memory). The force in the link follows from the equilibrium of the limb as a free body, solved as linear equations.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import replace
from math import cos, hypot, pi, sin

import numpy as np
import pytest

from biofeedback.errors import PlanError
from biofeedback.session.exercises import RETIRED, load_exercises, parse_exercises
from biofeedback.session.rig_picture import draw_rig

# Seen from the side with the toes pointing right of an upright person, "+" is counter-clockwise
SIDE_TURNS = {
    "hip flexion": 1,
    "hip extension": -1,
    "knee extension": 1,
    "knee flexion": -1,
    "plantar flexion": -1,
    "shoulder flexion": 1,
    "shoulder extension": -1,
}
EXERCISES = load_exercises()
WITH_RIG = {name: exercise.rig for name, exercise in EXERCISES.items() if exercise.rig}


def turning(action, points):
    """+1 counter-clockwise, -1 clockwise: what the muscle does to the limb in the drawing."""
    if action == "hip adduction":  # from the front or above: towards the midline x = 0
        hip, ankle = np.array(points["hip"]), np.array(points["ankle"])
        leg = ankle - hip
        counter_clockwise = np.array([-leg[1], leg[0]])
        return 1 if counter_clockwise[0] * ankle[0] < 0 else -1
    shank = np.subtract(points["ankle"], points["knee"])
    foot = np.subtract(points["toe"], points["ankle"])
    faces_right = 1 if shank[0] * foot[1] - shank[1] * foot[0] > 0 else -1
    return SIDE_TURNS[action] * faces_right


def link_force(joint, contact, anchor, torque_newton_metre):
    """Axial force of the link, tension positive, and the joint's reaction: three equations of the limb at rest."""
    r = np.subtract(contact, joint)
    u = np.subtract(anchor, contact) / hypot(*np.subtract(anchor, contact))
    equations = np.array([[1, 0, u[0]], [0, 1, u[1]], [0, 0, r[0] * u[1] - r[1] * u[0]]])
    return float(np.linalg.solve(equations, [0, 0, -torque_newton_metre])[2])


def reading(rig, action):
    """Newton read per newton pushed across the limb; a strap is read when pulled, a strut when pressed."""
    joint, contact = rig.points[rig.joint], rig.points[rig.contact]
    lever_m = hypot(contact[0] - joint[0], contact[1] - joint[1])
    tension = link_force(joint, contact, rig.anchor, lever_m * turning(action, rig.points))
    return tension if rig.link == "strap" else -tension


@pytest.mark.parametrize("name", WITH_RIG)
def test_a_push_makes_the_reading_rise(name):
    rig = WITH_RIG[name]
    expected = reading(rig, rig.action)
    assert expected > 0.9  # a newton of push is not lost in an oblique link
    assert rig.reading_per_push == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("name", WITH_RIG)
def test_what_the_muscle_would_move_lengthens_a_strap_and_shortens_a_strut(name):
    """Virtual work: the same answer by geometry, without forces."""
    rig = WITH_RIG[name]
    joint, contact, anchor = np.array(rig.points[rig.joint]), np.array(rig.points[rig.contact]), np.array(rig.anchor)
    angle = 1e-6 * turning(rig.action, rig.points)
    turned = joint + np.array([[cos(angle), -sin(angle)], [sin(angle), cos(angle)]]) @ (contact - joint)
    longer = hypot(*(anchor - turned)) - hypot(*(anchor - contact))
    assert (longer > 0) == (rig.link == "strap")


def test_every_exercise_of_the_library_has_a_rig_and_sees_a_rising_reading():
    assert set(WITH_RIG) == set(EXERCISES)
    assert all(rig.reading_per_push > 0 for rig in WITH_RIG.values())


# the four rigs that this library once had: each must fail the test above
WRONG = {
    "a strap from ankle to ankle, legs drawn together": (
        "adductor-seated", {"link": "strap", "anchor": (-0.80, 0.66)}),
    "a strap from the heel to a cell below the box": (
        "hamstring-standing", {"link": "strap", "anchor": (0.82, 0.30)}),
    "a strap from the elbow to below the bench": (
        "shoulder-flexion", {"link": "strap", "anchor": (0.35, 0.20)}),
}  # fmt: skip


@pytest.mark.parametrize("what", WRONG)
def test_the_rigs_of_old_would_not_pass(what):
    name, change = WRONG[what]
    rig = replace(WITH_RIG[name], **change)
    assert reading(rig, rig.action) < 0
    assert rig.reading_per_push < 0


def test_a_stretch_whose_reading_follows_body_weight_is_not_offered_and_says_what_is():
    assert "calf-wall" not in EXERCISES
    assert "weight" in RETIRED["calf-wall"][0]
    assert RETIRED["calf-wall"][1] in EXERCISES


def test_an_own_rig_whose_reading_would_fall_is_refused_with_the_cure():
    text = """
[squeeze]
title = "Squeeze"
muscle = "inner thigh"
[squeeze.rig]
view = "above"
action = "hip adduction"
points = {hip = [0.1, 0.0], ankle = [0.8, 0.66]}
body = [["hip", "ankle"]]
joint = "hip"
contact = "ankle"
turns = "counter-clockwise"
link = "strap"
anchor = [-0.8, 0.66]
"""
    with pytest.raises(PlanError, match=r"slackens.*outward|slackens"):
        parse_exercises(text, "own.toml")
    assert parse_exercises(text.replace('"strap"', '"strut"'), "own.toml")["squeeze"].rig.reading_per_push > 0


@pytest.mark.parametrize("name", WITH_RIG)
def test_the_drawing_shows_push_cell_and_anchor_where_the_data_have_them(name):
    rig = WITH_RIG[name]
    drawing = ET.fromstring(draw_rig(EXERCISES[name]))
    parts = {part.get("class", "").split(" ")[0]: part for part in drawing.iter() if part.get("class")}
    assert {"limb", "link", "cell", "push"} <= set(parts)
    title = drawing.find("{http://www.w3.org/2000/svg}title")
    assert EXERCISES[name].title in title.text
    contact, arrow = np.array(rig.points[rig.contact]), parts["push"]
    start = np.array([float(arrow.get("x1")), float(arrow.get("y1"))])
    end = np.array([float(arrow.get("x2")), float(arrow.get("y2"))])
    scale = float(drawing.get("data-pixels-per-metre"))
    assert np.allclose(start, [contact[0] * scale, -contact[1] * scale], atol=0.06)
    drawn = (end - start) * [1, -1]
    lever = contact - np.array(rig.points[rig.joint])
    assert np.sign(lever[0] * drawn[1] - lever[1] * drawn[0]) == turning(rig.action, rig.points)
    left, top, wide, high = (float(part) for part in drawing.get("viewBox").split())
    for x, y in rig.points.values():
        assert left <= x * scale <= left + wide
        assert top <= -y * scale <= top + high
    assert len(draw_rig(EXERCISES[name])) < 6000


def corners(part, *, of):
    """The points (n, 2) of a path or polyline of straight lines, in pixels."""
    return np.array([[float(value) for value in point.replace(",", " ").split()] for point in of(part)])


@pytest.mark.parametrize("name", WITH_RIG)
def test_arrow_cell_anchor_and_head_stand_where_the_geometry_has_them(name):
    rig = WITH_RIG[name]
    drawing = ET.fromstring(draw_rig(EXERCISES[name]))
    scale = float(drawing.get("data-pixels-per-metre"))

    def find(tag, kind):
        (part,) = (
            part
            for part in drawing.iter("{http://www.w3.org/2000/svg}" + tag)
            if part.get("class", "").split(" ")[0] == kind
        )
        return part

    def place(part, x, y):
        return np.array([float(part.get(x)), float(part.get(y))])

    contact, anchor = (np.array(point) * [scale, -scale] for point in (rig.points[rig.contact], rig.anchor))
    push = np.array(rig.push) * [1, -1]
    tip, *base = corners(find("path", "point"), of=lambda part: part.get("d").strip("MZ").split(" L"))
    end = place(find("line", "push"), "x2", "y2")
    assert np.dot(end - contact, push) > 0
    assert np.allclose(np.mean(base, axis=0), end, atol=0.11), "the arrow's head sits on its shaft"
    assert np.dot(tip - end, push) == pytest.approx(hypot(*(tip - end)), abs=0.11), "and points along the push"
    assert np.dot(base[0] - base[1], push) == pytest.approx(0, abs=0.2)
    assert 10 < hypot(*(base[0] - base[1])) < 20
    said = place(find("text", "said"), "x", "y") - end
    assert np.dot(said, push) > 0, "its word is beyond it"
    assert place(find("circle", "link"), "cx", "cy") == pytest.approx(anchor, abs=0.06)
    cell = place(find("rect", "cell"), "x", "y") + np.array([9, 9])
    assert cell == pytest.approx(contact + rig.cell * (anchor - contact), abs=0.06)
    link = (anchor - contact) / hypot(*(anchor - contact))
    read = place(find("text", "read"), "x", "y") - cell - [0, 5 * abs(link[1])]
    assert np.dot(read, link) == pytest.approx(0, abs=0.2), "across the link from its cell"
    assert hypot(*read) == pytest.approx(18, abs=0.2)
    assert read[1] < 4, "above it, or where the link stands upright to its right"
    assert read[1] < -3.4 or read[0] > 0
    if "head" in rig.points:
        head = np.array(rig.points["head"]) * [scale, -scale]
        assert place(find("circle", "head"), "cx", "cy") == pytest.approx(head, abs=0.06)
    left, top, wide, high = (float(part) for part in drawing.get("viewBox").split())
    if "head" in rig.points:  # whole, and as far from the edge as all else
        (x, y), room = place(find("circle", "head"), "cx", "cy"), float(find("circle", "head").get("r")) + 25
        assert left <= x - room
        assert x + room <= left + wide
        assert top <= y - room
        assert y + room <= top + high
    for x, y in (tip, *base, cell, anchor, end + said):
        assert left < x < left + wide
        assert top < y < top + high


@pytest.mark.parametrize("name", EXERCISES)
def test_every_exercise_says_what_the_trade_needs(name):
    exercise = EXERCISES[name]
    for text in (
        exercise.position,
        exercise.contraction,
        exercise.force,
        exercise.emg,
        exercise.release,
        exercise.phone,
    ):
        assert len(text) > 20
    assert exercise.cautions
    assert "in the stretch" in exercise.emg  # skin slides over the muscle
    assert "tendon" not in exercise.emg or "not" in exercise.emg
    assert exercise.sides in ("one", "both")
    assert exercise.joint == exercise.rig.action.split()[0].replace("plantar", "ankle")  # the joint that moves


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("hamstring-standing", ["sciatic", "sit bone"]),
        ("hamstring-supine", ["sciatic", "sit bone"]),
        ("adductor-seated", ["groin", "hip"]),
        ("adductor-front-split-side", ["groin", "hip"]),
        ("hip-flexor-lunge", ["knee", "low back"]),
        ("quadriceps-prone", ["knee"]),
        ("shoulder-flexion", ["instability"]),
        ("shoulder-extension", ["instability"]),
    ],
)
def test_cautions_are_those_of_the_exercise(name, words):
    text = " ".join(EXERCISES[name].cautions).lower()
    assert all(word in text for word in words)


def test_one_cell_does_not_pretend_to_split_a_straddle():
    assert EXERCISES["adductor-seated"].sides == "both"
    assert "cannot tell" in EXERCISES["adductor-seated"].force


def test_no_rig_holds_both_hands():
    for exercise in EXERCISES.values():
        assert "wrists" not in exercise.force
        assert "hand" in exercise.release


def test_turning_a_drawing_by_an_angle_changes_nothing():
    rig = WITH_RIG["quadriceps-prone"]
    for angle in np.linspace(0, 2 * pi, 7):
        turn = np.array([[cos(angle), -sin(angle)], [sin(angle), cos(angle)]])
        joint, contact, anchor = (turn @ np.array(p) for p in (rig.points["knee"], rig.points["ankle"], rig.anchor))
        lever_m = hypot(*(contact - joint))
        assert link_force(joint, contact, anchor, lever_m) == pytest.approx(rig.reading_per_push)
