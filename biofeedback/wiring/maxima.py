"""Maxima on the command line."""

from __future__ import annotations

from collections.abc import Sequence

from biofeedback.errors import CalibrationError, RecordingError
from biofeedback.storage.imported import find_name

LARGEST = 1e9


def parse_maximum(text: str, channels: Sequence[str], units: Sequence[str] = ()) -> tuple[str, float]:
    """``force=412`` to ``("force", 412.0)``. CalibrationError with the cure."""
    said, separator, number = text.rpartition("=")
    if not separator:
        raise CalibrationError(f"--maximum {text}: no channel {text!r}", f"write --maximum {channels[0]}=412")
    name = find_channel(said, channels, units, f"--maximum {text}")
    try:
        value = float(number)
    except ValueError:
        value = 0.0
    if value >= LARGEST:
        raise CalibrationError(f"--maximum {text}: no sensor measures as much", f"write --maximum {name}=412")
    if not value > 0:
        raise CalibrationError(f"--maximum {text}: not a number above 0", f"write --maximum {name}=412")
    return name, value


def find_channel(said: str, channels: Sequence[str], units: Sequence[str], where: str) -> str:
    """The channel that is meant: ``Fz (N)``, ``fz`` and ``Fz`` are one. CalibrationError listing them all."""
    try:
        return find_name(said, channels, units or [""] * len(channels), where=where, what="channel")
    except RecordingError as error:
        raise CalibrationError(f"{where}: no channel {said!r}", f"use one of {', '.join(channels)}") from error
