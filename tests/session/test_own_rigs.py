"""An own rig to both sides of every border, and the drawings of two rigs worked out by hand, 180 pixels a metre."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from typing import Any

import pytest

from biofeedback.errors import PlanError
from biofeedback.session.exercises import Exercise, parse_exercises
from biofeedback.session.rig import Rig
from biofeedback.session.rig_picture import draw_rig

LINES = {
    "view": '"side"',
    "action": '"hip flexion"',
    "points": "{hip = [0.0, 1.0], knee = [0.0, 0.5]}",
    "body": '[["hip", "knee"]]',
    "joint": '"hip"',
    "turns": '"counter-clockwise"',
    "contact": '"knee"',
    "link": '"strap"',
    "anchor": "[-0.5, 0.5]",
}


def write(**lines: str) -> str:
    merged = {name: value for name, value in {**LINES, **lines}.items() if value}
    rig = "\n".join(f"{name} = {value}" for name, value in merged.items())
    return f'[a]\ntitle = "A"\nmuscle = "m"\nforce = "strap"\n[a.rig]\n{rig}\n'


def read(**lines: str) -> Exercise:
    return parse_exercises(write(**lines), "own.toml")["a"]


def rig_of(**lines: str) -> Rig:
    rig = read(**lines).rig
    assert rig is not None
    return rig


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        *(({name: ""}, f"a rig without {name}; add {name} = ...") for name in sorted(LINES)),
        ({"colour": "3"}, "'colour' is not known here; use action, anchor, body,"),
        ({"view": '"below"'}, "view = 'below'; use side, front, above"),
        ({"link": '"rope"'}, "link = 'rope'; use strap, strut"),
        ({"turns": '"left"'}, "turns = 'left'; use clockwise, counter-clockwise"),
        ({"points": "{}"}, "points is not a table of places"),
        ({"points": "3"}, "points is not a table of places"),
        ({"points": "{hip = [0.0, 10.1], knee = [0.0, 0.5]}"}, "[0.0, 10.1] is not a place; write [x, y] in metres"),
        ({"points": "{hip = [0.0], knee = [0.0, 0.5]}"}, "[0.0] is not a place"),
        ({"points": "{hip = [0.0, true], knee = [0.0, 0.5]}"}, "[0.0, True] is not a place"),
        ({"points": '{hip = [0.0, "1"], knee = [0.0, 0.5]}'}, "[0.0, '1'] is not a place"),
        ({"points": "{hip = 1.0, knee = [0.0, 0.5]}"}, "1.0 is not a place"),
        ({"joint": '"ankle"'}, "'ankle' has no place; add it to points, or use hip, knee"),
        ({"contact": '"ankle"'}, "'ankle' has no place"),
        ({"body": '[["hip", "ankle"]]'}, "'ankle' has no place"),
        ({"body": '[["hip"]]'}, "body is not a list of lines; write a list of lists with two or more places each"),
        ({"body": '["hip", "knee"]'}, "body is not a list of lines"),
        ({"body": '"hip"'}, "body is not a list of lines"),
        ({"contact": '"hip"'}, "the push acts in the joint itself"),
        ({"cell": "-0.1"}, "cell = -0.1; use 0 (at the body) to 1 (at the anchor)"),
        ({"cell": "1.1"}, "cell = 1.1"),
        ({"cell": "true"}, "cell = True"),
        ({"cell": '"half"'}, "cell = 'half'"),
        ({"anchor": "[0.0, 0.5]"}, "the link has no length"),
        ({"things": "[[[0.0, 0.0]]]"}, "things is not a list of lines"),
        ({"things": "[[[0.0, 0.0], [11.0, 0.0]]]"}, "[11.0, 0.0] is not a place"),
        ({"other_links": "[[[0.0, 0.0]]]"}, "other_links is not a list of lines"),
        ({"anchor": "[0.5, 0.5]"}, "this strap slackens when it is pushed, and the reading falls; anchor it outward"),
        (
            {"link": '"strut"'},
            "nothing presses this strut when it is pushed, and the reading falls; put it on the side",
        ),
        ({"anchor": "[0.0, -0.5]"}, "the link runs past the joint and hardly feels the push; anchor it across"),
        ({"turns": '"clockwise"'}, "this strap slackens"),
    ],
)
def test_an_own_rig_may_not_say(lines: dict[str, str], said: str) -> None:
    with pytest.raises(PlanError) as refused:
        read(**lines)
    assert said in f"{refused.value.what}; {refused.value.cure}"


def test_a_rig_that_is_no_table_says_so() -> None:
    with pytest.raises(PlanError, match=r"rig is not a table; write \[a.rig\] and its values below"):
        parse_exercises('[a]\ntitle = "A"\nmuscle = "m"\nrig = 3', "own.toml")


def test_what_an_own_rig_says_is_kept() -> None:
    rig = rig_of(
        cell="0",
        things="[[[0.0, 0.0], [1.0, 0.0]]]",
        other_links="[[[0.0, 1.0], [0.5, 1.0]]]",
        points="{hip = [0.0, 1], knee = [0.0, 0.5], edge = [10.0, -10.0]}",
    )
    assert rig.points == {"hip": (0.0, 1.0), "knee": (0.0, 0.5), "edge": (10.0, -10.0)}
    assert (rig.cell, rig.anchor, rig.body) == (0.0, (-0.5, 0.5), (("hip", "knee"),))
    assert rig.things == (((0.0, 0.0), (1.0, 0.0)),)
    assert rig.other_links == (((0.0, 1.0), (0.5, 1.0)),)
    assert (rig_of().cell, rig_of(cell="1").cell) == (0.5, 1.0)
    assert (rig.lever_m, rig.push) == (0.5, (1.0, 0.0))


# a strap from the knee, half a metre below the hip, that runs back and up at an angle; what it feels of a push across
# the thigh is the push over the cosine of that angle (the moments about the hip balance)
@pytest.mark.parametrize(
    ("anchor", "reading"),
    [("[-0.5, 0.5]", 1.0), ("[-0.3, 0.9]", 5 / 3), ("[-0.4, 0.2]", 1.25), ("[-0.3, 0.1]", 5 / 3)],
)
def test_what_the_cell_reads_of_a_push(anchor: str, reading: float) -> None:
    assert rig_of(anchor=anchor).reading_per_push == pytest.approx(reading)
    mirrored = f"[{-float(anchor[1:5])}, {anchor.split(', ')[1]}"
    assert rig_of(anchor=mirrored, link='"strut"').reading_per_push == pytest.approx(reading)


def parts_of(rig: dict[str, str]) -> tuple[ET.Element, dict[str, list[dict[str, Any]]]]:
    drawing = ET.fromstring(draw_rig(read(**rig)))
    parts: dict[str, list[dict[str, Any]]] = {}
    for part in drawing.iter():
        tag = re.sub(r"{.*}", "", part.tag)
        if part.get("class"):
            parts.setdefault(f"{tag} {part.get('class')}", []).append(
                {
                    name: float(value) if re.fullmatch(r"-?[\d.]+", value) else value
                    for name, value in part.items()
                    if name != "class"
                }
            )
    return drawing, parts


def test_a_push_to_the_right_on_a_strap_to_the_left() -> None:
    """The knee at (0, -90) on the screen; the arrow 58 pixels long; a strap of 90 pixels, its cell in the middle."""
    drawing, parts = parts_of({})
    assert drawing.get("viewBox") == "-116.0 -206.0 240.0 142.0"  # the word "push" ends 40 pixels behind the arrow
    assert (drawing.get("width"), drawing.get("height")) == ("240", "142")
    assert parts["polyline limb"] == [{"points": "0.0,-180.0 0.0,-90.0"}]
    assert parts["line push"] == [{"x1": 0.0, "y1": -90.0, "x2": 58.0, "y2": -90.0}]
    assert parts["path point"] == [{"d": "M71.0 -90.0 L58.0 -83.0 L58.0 -97.0Z"}]
    assert parts["text said"] == [{"x": 75.0, "y": -85.0, "text-anchor": "start"}]
    assert parts["line link strap"] == [{"x1": 0.0, "y1": -90.0, "x2": -90.0, "y2": -90.0}]
    assert parts["circle link"] == [{"cx": -90.0, "cy": -90.0, "r": 4.0, "fill": "none"}]
    assert parts["rect cell"] == [{"x": -54.0, "y": -99.0, "width": 18.0, "height": 18.0, "rx": 4.0}]
    assert parts["text read"] == [{"x": -45.0, "y": -108.0, "text-anchor": "middle"}]  # above the strap
    assert "circle head" not in parts


DOWN = {
    "points": "{hip = [0.0, 0.0], knee = [0.5, 0.0], head = [-0.5, 0.2]}",
    "turns": '"clockwise"',
    "link": '"strut"',
    "anchor": "[0.5, -0.4]",
    "cell": "0.25",
    "things": "[[[-1.0, -0.4], [1.0, -0.4]]]",
    "other_links": "[[[0.0, 0.0], [0.0, 0.3]]]",
}


def test_a_push_down_on_a_strut_below() -> None:
    drawing, parts = parts_of(DOWN)
    assert drawing.get("viewBox") == "-206.0 -80.0 412.0 189.0"
    assert parts["line push"] == [{"x1": 90.0, "y1": 0.0, "x2": 90.0, "y2": 58.0}]
    assert parts["path point"] == [{"d": "M90.0 71.0 L83.0 58.0 L97.0 58.0Z"}]
    assert parts["text said"] == [{"x": 90.0, "y": 87.0, "text-anchor": "middle"}]
    assert parts["line link strut"] == [{"x1": 90.0, "y1": 0.0, "x2": 90.0, "y2": 72.0}]
    assert parts["rect cell"] == [{"x": 81.0, "y": 9.0, "width": 18.0, "height": 18.0, "rx": 4.0}]
    assert parts["text read"] == [{"x": 108.0, "y": 23.0, "text-anchor": "start"}]  # to its right
    assert parts["circle head"] == [{"cx": -90.0, "cy": -36.0, "r": 18.0}]
    assert parts["polyline thing"] == [{"points": "-180.0,72.0 180.0,72.0"}]
    assert parts["line link"] == [{"x1": 0.0, "y1": 0.0, "x2": 0.0, "y2": -54.0}]


def test_the_title_says_what_is_seen_from_where() -> None:
    for view, said in (("side", "the side"), ("front", "the front"), ("above", "above")):
        drawing, _ = parts_of({"view": f'"{view}"'})
        (title,) = [part for part in drawing.iter() if part.tag.endswith("title")]
        assert title.text == f"A, seen from {said}: strap. Pushing makes the number rise."
    assert draw_rig(Exercise(name="a", title="A", muscle="m")) == ""
