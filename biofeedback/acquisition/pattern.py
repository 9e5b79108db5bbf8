"""A layout of text lines in a profile: read from ``[lines] pattern``, and written so that it can be kept and shared."""

from __future__ import annotations

import json
from collections.abc import Sequence

from biofeedback.acquisition.layout import Layout
from biofeedback.acquisition.layout_decoder import LayoutDecoder
from biofeedback.model import Channel
from biofeedback.toml_file import TomlFile

DECIMALS = (".", ",", ",.")
_CURE = 'write a line as the board prints it with names for its numbers, for example pattern = "Weight: {force} kg"'


def read_layout(file: TomlFile, channels: Sequence[Channel]) -> Layout | None:
    """What ``[lines]`` says of the layout; None where it names columns instead. PlanError with line and cure."""
    lines = file.data.get("lines")
    if not isinstance(lines, dict) or "pattern" not in lines:
        if isinstance(lines, dict) and "decimal" in lines:
            file.refuse(("lines", "decimal"), "decimal without pattern", _CURE)
        return None
    given, place = lines["pattern"], ("lines", "pattern")
    templates = [given] if isinstance(given, str) else given
    if not isinstance(templates, list) or not templates or not all(isinstance(each, str) for each in templates):
        file.refuse(place, f"pattern = {given!r}", _CURE)
    decimal = lines.get("decimal", ".")
    if decimal not in DECIMALS:
        file.refuse(("lines", "decimal"), f"decimal = {decimal!r}", 'use ".", "," or ",." where commas group thousands')
    layout = Layout(tuple(templates), str(decimal))
    try:
        LayoutDecoder(layout, [channel.name for channel in channels])
    except ValueError as error:
        file.refuse(place, str(error), _CURE)
    return layout


def write_profile(
    title: str,
    layout: Layout,
    channels: Sequence[Channel],
    *,
    rate_hz: float | None = None,
    baud: int = 115200,
    key: str = "",
    transport: str = "serial",
) -> str:
    """A profile of a board as TOML; the layout's names are those of the channels, "-" where not used."""
    templates = [json.dumps(template, ensure_ascii=False) for template in layout.templates]
    pattern = templates[0] if len(templates) == 1 else f"[{', '.join(templates)}]"
    rows = [f"title = {json.dumps(title, ensure_ascii=False)}", f'transport = "{transport}"']
    rows += [f"rate_hz = {rate_hz:.10g}"] if rate_hz else []
    rows += [f"baud = {baud}"] if transport == "serial" else []
    rows += ["", "[lines]", f"pattern = {pattern}", f'decimal = "{layout.decimal}"']
    rows += ["", "[commands]", f"key = {json.dumps(key)}"] if key else []
    for channel in channels:
        rows += ["", "[[channel]]", f'name = "{channel.name}"', f'kind = "{channel.kind}"']
        rows += [f"unit = {json.dumps(channel.unit, ensure_ascii=False)}"]
        rows += [f"factor = {channel.factor!r}"] if channel.factor != 1 else []
        rows += [f"offset_counts = {channel.offset_counts!r}"] if channel.offset_counts else []
        rows += ["envelope = true"] if channel.envelope else []
        if channel.rail_low_counts is not None and channel.rail_high_counts is not None:
            rows += [f"rails = [{channel.rail_low_counts!r}, {channel.rail_high_counts!r}]"]
    return "\n".join(rows) + "\n"
