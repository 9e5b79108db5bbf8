"""Contrast of every pair of colours that carries meaning: WCAG 2.2, success criteria 1.4.3 (4.5) and 1.4.11 (3)."""

from __future__ import annotations

import itertools
import re

import numpy as np
import pytest
from numpy.typing import NDArray

from biofeedback.web.page_files import read_static


def read_schemes() -> dict[str, dict[str, str]]:
    """Colour tokens of style.css: the first block is light, the one inside the media query dark."""
    text = read_static()["shared/style.css"][0].decode()
    blocks = re.findall(r":root \{(.*?)\}", text, re.DOTALL)
    light, dark = (dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", block)) for block in blocks)
    return {"light": light, "dark": light | dark}


def luminance(color: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    channels = [int(color[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(a: str, b: str) -> float:
    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


TEXT = [
    ("ink", "ground"), ("ink", "panel"), ("ink", "in-tint"), ("ink", "above-tint"), ("ink", "below-tint"),
    ("ink", "rest-tint"), ("ink", "sleeve"), ("ink2", "ground"), ("ink2", "panel"), ("in", "panel"), ("above", "panel"),
    ("on-stop", "stop"), ("on-in", "in"), ("on-warn", "warn"),
]  # fmt: skip
SHAPES = [
    ("in", "in-tint"), ("in", "panel"), ("above", "above-tint"), ("below", "below-tint"), ("rest", "rest-tint"),
    ("target", "panel"), ("edge", "panel"), ("edge", "ground"), ("stop-line", "ground"), ("warn-line", "ground"),
]  # fmt: skip


def test_the_formula_gives_the_published_extremes() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)  # the well-known grey just short of 4.5


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_and_shapes_stand_out(scheme: str) -> None:
    color = read_schemes()[scheme]
    for a, b in TEXT:
        assert contrast(color[a], color[b]) >= 4.5, (a, b)
    for a, b in SHAPES:
        assert contrast(color[a], color[b]) >= 3, (a, b)


# Machado, Oliveira & Fernandes (2009), A physiologically-based model for simulation of color vision deficiency, IEEE
# Transactions on Visualization and Computer Graphics 15(6), 1291-1298: severity 1.0, for linear RGB.
DEFICIENCIES = {
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}
# CIE 15, colorimetry: sRGB (IEC 61966-2-1) to XYZ, and the white point D65
TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
WHITE = TO_XYZ.sum(axis=1)
STATES = ("below", "in", "above")
APART = 20.0  # of CIELAB; about 2.3 is a just noticeable difference (Mahy, Van Eycken & Oosterlinck 1994)


def linear(color: str) -> NDArray[np.float64]:
    channels = np.array([int(color[k : k + 2], 16) / 255 for k in (1, 3, 5)])
    return np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)


def seen(color: str, deficiency: str) -> NDArray[np.float64]:
    return np.clip(np.array(DEFICIENCIES[deficiency]) @ linear(color), 0, 1)


def lab(rgb: NDArray[np.float64]) -> NDArray[np.float64]:
    """CIELAB of a linear RGB colour."""
    x, y, z = (
        np.cbrt(t) if t > (6 / 29) ** 3 else t / (3 * (6 / 29) ** 2) + 4 / 29 for t in (TO_XYZ @ rgb / WHITE).tolist()
    )
    return np.array([116 * y - 16, 500 * (x - y), 200 * (y - z)])


def seen_contrast(a: str, b: str, deficiency: str) -> float:
    high, low = sorted((float(TO_XYZ[1] @ seen(each, deficiency)) for each in (a, b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("deficiency", DEFICIENCIES)
def test_greys_stay_grey_for_every_eye(deficiency: str) -> None:
    for grey in ("#000000", "#777777", "#ffffff"):
        assert seen(grey, deficiency) == pytest.approx(linear(grey), abs=1e-5)


def test_lab_gives_its_published_ends() -> None:
    assert lab(np.ones(3)) == pytest.approx([100, 0, 0], abs=0.01)
    assert lab(linear("#ff0000")) == pytest.approx([53.24, 80.09, 67.20], abs=0.05)  # sRGB red, well known


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("deficiency", DEFICIENCIES)
def test_text_shapes_and_states_stand_out_for_every_eye(scheme: str, deficiency: str) -> None:
    """Shape and word say the state, too; colour alone would do."""
    color = read_schemes()[scheme]
    for a, b in TEXT:
        assert seen_contrast(color[a], color[b], deficiency) >= 4.5, (a, b)
    for a, b in SHAPES:
        assert seen_contrast(color[a], color[b], deficiency) >= 3, (a, b)
    for one, other in itertools.combinations(STATES, 2):
        apart = np.linalg.norm(lab(seen(color[one], deficiency)) - lab(seen(color[other], deficiency)))
        assert apart >= APART, (one, other, apart)
