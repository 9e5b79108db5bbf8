"""What the page's order of a brought file says: how to read it, its stretches, zero and maximum."""

from __future__ import annotations

import argparse
import math
from collections.abc import Mapping, Sequence
from typing import Any

from biofeedback.errors import RecordingError
from biofeedback.model import Channel, find_guide
from biofeedback.wiring.importing import ImportOptions

MEASURES = {"rest": "Nothing is done (zero)", "maximum": "Maximal push"}


def read_options(order: Mapping[str, Any]) -> ImportOptions:
    """How the file is to be read; RecordingError for a rate that is none."""
    said = order.get("channels")
    channels = {str(name): str(value) for name, value in said.items()} if isinstance(said, dict) else {}
    rate = order.get("rate_hz")
    if rate in (None, ""):
        rate_hz = None
    elif isinstance(rate, int | float) and 0 < rate < math.inf:
        rate_hz = float(rate)
    else:
        raise RecordingError(f"{str(rate)[:20]} is not a number of rows per second", "give one above 0")
    unit, decimal = order.get("time_unit"), order.get("decimal")
    return ImportOptions(
        channels=channels,
        time=str(order["time"]) if order.get("time") else None,
        rate_hz=rate_hz,
        time_unit=str(unit) if unit in ("s", "ms", "us", "ns", "min", "h", "days") else None,
        decimal=str(decimal) if decimal in ("comma", "point") else None,
    )


def read_stretches(order: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Those of the page, their numbers checked."""
    listed = order.get("stretches")
    stretches: list[Mapping[str, Any]] = (
        [one for one in listed if isinstance(one, dict)] if isinstance(listed, list) else []
    )
    for one in stretches:
        from_s, to_s = read_number(one, "from_s"), read_number(one, "to_s")
        if not 0 <= from_s < to_s:
            raise RecordingError(f"{from_s:g} to {to_s:g} s is not a time span", "let it end after it begins")
    return stretches


def as_annotations(stretch: Mapping[str, Any]) -> list[tuple[float, float | None, str]]:
    """A phase and the rating in it, as a table of events says them; nothing for zero and maximum."""
    kind, from_s, to_s = str(stretch.get("kind")), read_number(stretch, "from_s"), read_number(stretch, "to_s")
    if kind in MEASURES:
        return []
    band = ""
    if kind == "contract" and stretch.get("high") not in (None, ""):
        low, high = read_number(stretch, "low"), read_number(stretch, "high")
        if not 0 <= low < high:
            raise RecordingError(f"{low:g} to {high:g} % is not a band", "let its upper edge lie above its lower one")
        band = f" {low:g}-{high:g} %"
    told: list[tuple[float, float | None, str]] = [(from_s, to_s - from_s, f"phase {kind}{band}")]
    if stretch.get("discomfort") not in (None, ""):
        value = read_number(stretch, "discomfort")
        if not 0 <= value <= 10:
            raise RecordingError(f"a discomfort of {value:g}", "give 0 to 10")
        told.append((to_s - min(0.5, (to_s - from_s) / 2), None, f"rating {value:g}"))
    return told


def as_arguments(
    stretches: Sequence[Mapping[str, Any]], order: Mapping[str, Any], channels: Sequence[Channel]
) -> argparse.Namespace:
    """Zero and maximum as the command line would say them."""

    def spans(kind: str) -> list[str]:
        own = [one for one in stretches if one.get("kind") == kind]
        return [f"{read_number(one, 'from_s'):.10g}-{read_number(one, 'to_s'):.10g}" for one in own]

    rests = spans("rest")
    if len(rests) > 1:
        raise RecordingError("zero is set twice", "keep one stretch in which nothing is done")
    guide = channels[find_guide(channels) or 0].name
    typed = [f"{guide}={read_number(order, 'maximum'):.9g}"] if order.get("maximum") not in (None, "") else []
    pushes = spans("maximum")
    if typed and pushes:
        raise RecordingError("the maximum is given twice, as a push and as a number", "keep one of them")
    return argparse.Namespace(rest="".join(rests), maximum=typed, maximum_from=pushes, by="page", why="")


def read_number(order: Mapping[str, Any], name: str) -> float:
    """A finite number of the order; RecordingError where it is none."""
    try:
        value = float(order[name])
    except (KeyError, TypeError, ValueError):
        value = math.nan
    if not math.isfinite(value):
        raise RecordingError(f"{name.removesuffix('_s')} is not a number", "give one")
    return value
