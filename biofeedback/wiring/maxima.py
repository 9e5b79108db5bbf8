"""Maxima on the command line."""

from __future__ import annotations

from collections.abc import Sequence

from biofeedback.errors import CalibrationError


def parse_maximum(text: str, channels: Sequence[str]) -> tuple[str, float]:
    """``force=412`` to ``("force", 412.0)``. CalibrationError with the cure."""
    name, _, number = text.partition("=")
    if name not in channels:
        raise CalibrationError(f"--maximum {text}: no channel {name!r}", f"use one of {', '.join(channels)}")
    try:
        value = float(number)
    except ValueError:
        value = 0.0
    if not 0 < value < 1e9:
        raise CalibrationError(f"--maximum {text}: not a number above 0", f"write --maximum {name}=412")
    return name, value
