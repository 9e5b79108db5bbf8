"""Contrast of every pair of colours that carries meaning: WCAG 2.2, success criteria 1.4.3 (4.5) and 1.4.11 (3)."""

from __future__ import annotations

import re

import pytest

from biofeedback.web.server import read_static


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
    ("target", "panel"), ("edge", "panel"), ("edge", "ground"), ("stop", "ground"), ("warn-line", "ground"),
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
