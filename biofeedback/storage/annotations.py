"""What happened in a recording as short texts at a time, for formats that know signals and annotations only."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from biofeedback.model import Event
from biofeedback.storage.recording import Recording

LONGEST_TEXT = 200  # characters; the formats reserve room for the longest text in every second of the file
RATING = re.compile(
    r"rating (?P<value>\d+(?:\.\d+)?|none)(?:, phase (?P<phase>\d+))?(?: \(corrects (?P<corrects>\d+)\))?"
)
PHASE = re.compile(
    r"phase (?:(?P<number>\d+) )?(?P<kind>[a-z]+)(?: (?P<low>[\d.]+)-(?P<high>[\d.]+) %)?(?:: (?P<title>.*))?"
)
NUMBER = r"[-+]?\d[\d.]*(?:e[-+]?\d+)?"
MAXIMUM = re.compile(
    rf"maximum: (?P<name>.+) (?P<strength>{NUMBER}) (?P<unit>\S*) above (?P<baseline>{NUMBER}), (?P<method>[a-z]+)"
)
ZERO = re.compile(rf"(?P<name>.+) (?P<level>{NUMBER}) (?P<unit>\S*) sd (?P<sd>{NUMBER})")


@dataclass(frozen=True, slots=True)
class Annotation:
    """One text at ``onset_s``; ``duration_s`` is None for a moment. ``kind`` is the event's, or gap or note."""

    onset_s: float
    duration_s: float | None
    text: str
    kind: str


def list_annotations(recording: Recording, *, notes: bool = True) -> list[Annotation]:
    """Phases with their durations, ratings, stops, gaps and, unless dropped, notes; in the order of time."""
    rate_hz = recording.rate_hz
    found = [
        Annotation(gap.first_frame / rate_hz, gap.n_frames / rate_hz, _shorten(f"gap: {gap.reason}"), "gap")
        for gap in recording.gaps
    ]
    if notes:
        found += [
            Annotation(note.frame / rate_hz, None, _shorten(f"note: {note.text}"), "note") for note in recording.notes
        ]
    units = {channel.name: channel.unit for channel in recording.channels}
    for event, duration_s in zip(recording.events, _measure_phases(recording), strict=True):
        text = describe_event(event, units)
        if text and (notes or event.kind != "note"):
            found.append(Annotation(event.frame / rate_hz, duration_s, _shorten(text), event.kind))
    return sorted(found, key=lambda annotation: annotation.onset_s)


def describe_event(event: Event, units: Mapping[str, str]) -> str:
    """One line, or nothing for what belongs to the settings rather than to a moment; ``units`` by channel name."""
    data = event.data
    match event.kind:
        case "rating":
            value = data.get("value")
            said = "none" if value is None else f"{value:g}"
            phase = "" if data.get("phase_index") is None else f", phase {data['phase_index'] + 1}"
            return f"rating {said}{phase}" + (f" (corrects {data['corrects']})" if data.get("corrects") else "")
        case "phase":
            band = data.get("band")
            percent = f" {band[0]:g}-{band[1]:g} %" if band else ""
            title = f": {data['title']}" if data.get("title") else ""
            number = "" if data.get("kind") == "end" else f"{data.get('index', 0) + 1} "
            return f"phase {number}{data.get('kind', '')}{percent}{title}"
        case "stop" | "note":
            return f"{event.kind}: {data.get('reason' if event.kind == 'stop' else 'text', '')}"
        case "maximum":
            name, strength, baseline = data["channel"], data["strength"], data["baseline"]
            method = data.get("method", "attempts")
            return f"maximum: {name} {strength:.9g} {units.get(name, '')} above {baseline:.9g}, {method}"
        case "zero":
            zeros = data["channels"].items()
            return "zero: " + "; ".join(f"{n} {z['level']:.9g} {units.get(n, '')} sd {z['sd']:.6g}" for n, z in zeros)
    return ""


def parse_events(annotations: Iterable[tuple[float, float | None, str]], rate_hz: float) -> list[Event]:
    """The inverse for what has a rule above, from ``(onset_s, duration_s, text)``; other texts become notes.

    A passive phase is relaxed, so that the position's own tension can be learnt in it. Phases without a number are
    counted; a rating that names no phase belongs to the one in which it was given.
    """
    events: list[Event] = []
    index = -1
    for onset_s, duration_s, text in sorted(annotations, key=lambda annotation: annotation[0]):
        frame = round(onset_s * rate_hz)
        if match := RATING.fullmatch(text):
            events.append(Event(frame, "rating", _parse_rating(match, index)))
        elif match := PHASE.fullmatch(text):
            if match["kind"] != "end":
                index = int(match["number"]) - 1 if match["number"] else index + 1
            events.append(Event(frame, "phase", _parse_phase(match, index, duration_s)))
            events.append(Event(frame, "relaxed", {"on": match["kind"] == "passive"}))
        elif match := MAXIMUM.fullmatch(text):
            events.append(Event(frame, "maximum", _parse_maximum(match)))
        elif text.startswith("zero: ") and (zeros := _parse_zero(text)):
            events.append(Event(frame, "zero", {"channels": zeros}))
        elif text.startswith("stop: "):
            events.append(Event(frame, "stop", {"reason": text.removeprefix("stop: ")}))
        else:
            events.append(Event(frame, "note", {"text": text.removeprefix("note: ")}))
    return events


def _parse_rating(match: re.Match[str], index: int) -> dict[str, Any]:
    value = None if match["value"] == "none" else float(match["value"])
    place = int(match["phase"]) - 1 if match["phase"] else index
    data: dict[str, Any] = {"value": value, "phase_index": None if place < 0 else place, "ask_id": None, "by": "import"}
    if match["corrects"]:
        data["corrects"] = int(match["corrects"])
    return data


def _parse_phase(match: re.Match[str], index: int, duration_s: float | None) -> Mapping[str, Any]:
    band = [float(match["low"]), float(match["high"])] if match["low"] else None
    return {
        "index": index,
        "kind": match["kind"],
        "title": match["title"] or "",
        "band": band,
        "grace_s": 0.0,
        "duration_s": duration_s or 0.0,
        "cycle": 0,
    }


def _parse_maximum(match: re.Match[str]) -> dict[str, Any]:
    return {
        "channel": match["name"],
        "strength": float(match["strength"]),
        "baseline": float(match["baseline"]),
        "unit": match["unit"],
        "method": match["method"],
        "settled": False,
        "by": "import",
    }


def _parse_zero(text: str) -> dict[str, dict[str, Any]]:
    """By channel; the unit goes with it, so that a reader in other units can leave it out."""
    found = (ZERO.fullmatch(part) for part in text.removeprefix("zero: ").split("; "))
    return {
        match["name"]: {"level": float(match["level"]), "sd": float(match["sd"]), "n_levels": 0, "unit": match["unit"]}
        for match in found
        if match
    }


def _measure_phases(recording: Recording) -> list[float | None]:
    """For each event the time until the next phase, None for what is no phase or ends one."""
    starts = [event.frame for event in recording.events if event.kind == "phase"] + [recording.n_frames]
    durations: list[float | None] = []
    n_phases = 0
    for event in recording.events:
        n_phases += event.kind == "phase"
        is_phase = event.kind == "phase" and event.data.get("kind") != "end"
        durations.append(max(0, starts[n_phases] - event.frame) / recording.rate_hz if is_phase else None)
    return durations


def _shorten(text: str) -> str:
    """One line without control characters, short enough."""
    line = "".join(c if c.isprintable() else " " for c in text)
    return line if len(line) <= LONGEST_TEXT else line[: LONGEST_TEXT - 1] + "…"
