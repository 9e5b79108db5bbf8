"""What happened in a recording as short texts at a time, for formats that know signals and annotations only.

Phases are counted from 1 over the whole recording, here as in every other table.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from biofeedback.account.account import Account
from biofeedback.account.fold import apply
from biofeedback.account.kinds import (
    Finished,
    MaximumSet,
    Noted,
    Payload,
    PhaseBegun,
    RatingGiven,
    Relaxed,
    Stopped,
    ZeroTaken,
    make_event,
    try_read,
)
from biofeedback.account.order import in_order
from biofeedback.account.records import PhaseOnRecord
from biofeedback.account.values import Maximum, Zero
from biofeedback.account.words import SCALE
from biofeedback.model import Band, Event
from biofeedback.storage.recording import Recording

LONGEST_TEXT = 200  # characters; the formats reserve room for the longest text in every second of the file
RATING = re.compile(  # written by hand, too: "Rating: 6,5", "Phase contract 50–60%"
    r"(?:rating|discomfort)(?: *[:=] *| +)(?P<value>\d+(?:[.,]\d+)?|none)"
    r"(?:, phase (?P<phase>\d+))?(?: \(corrects (?P<corrects>\d+)\))?",
    re.IGNORECASE,
)
PHASE = re.compile(
    r"phase:? +(?:(?P<number>\d+) )?(?P<kind>[a-z]+)"
    r"(?: +(?P<low>\d+(?:\.\d+)?) *[-\u2013] *(?P<high>\d+(?:\.\d+)?) *%)?(?:: (?P<title>.*))?",
    re.IGNORECASE,
)
NUMBERED_END = re.compile(r"phase \d+ end")
OTHER_TEXTS = ("note: ", "stop: ", "zero: ", "maximum: ", "gap: ")
NUMBER = r"[-+]?\d[\d.]*(?:e[-+]?\d+)?"
MAXIMUM = re.compile(
    rf"maximum: (?P<name>.+) (?P<strength>{NUMBER}) (?P<unit>\S*) above (?P<baseline>{NUMBER}), (?P<method>[a-z]+)"
)
ZERO = re.compile(rf"(?P<name>.+) (?P<level>{NUMBER}) (?P<unit>\S*) sd (?P<sd>{NUMBER})")


@dataclass(frozen=True, slots=True)
class Annotation:
    """One text at ``onset_s``; ``duration_s`` is None for a moment. ``kind`` is the event's, or gap or note.

    ``phase`` and ``phase_kind`` say in which phase it happened. A rating belongs to the phase that asked, which may be
    over: there they are that phase, and so is ``rating_phase``. ``discomfort`` is the rating as corrected later,
    ``corrected_from`` what was said first; the correction itself has the kind "correction" and no discomfort.
    """

    onset_s: float
    duration_s: float | None
    text: str
    kind: str
    phase: int | None = None
    phase_kind: str = ""
    rating_phase: int | None = None
    discomfort: float | None = None
    corrected_from: float | None = None


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
    so_far = Account(recording.channels, recording.settings)
    for event in in_order(recording.events):
        apply(so_far, event)
        payload = try_read(event)
        if payload is None or (isinstance(payload, Noted | Finished) and not notes):
            continue
        if text := describe_payload(payload, so_far, units):
            if _is_end_at_once(event, payload, so_far):
                text = f"phase {len(so_far.phases)} end"
            one = _annotate(event, payload, so_far, recording)
            found.append(replace(one, text=_shorten(text)))
    return sorted(found, key=lambda annotation: annotation.onset_s)


def _is_end_at_once(event: Event, payload: Payload, so_far: Account) -> bool:
    """Of a phase that had only begun: its number tells readers, who give no order, that it comes second."""
    is_end = isinstance(payload, PhaseBegun) and payload.phase_kind == "end"
    return is_end and bool(so_far.phases) and so_far.phases[-1].first_frame == event.frame


def _annotate(event: Event, payload: Payload, so_far: Account, recording: Recording) -> Annotation:
    """When it happened and what it is about, the text left empty."""
    final, onset_s, phase = recording.account, event.frame / recording.rate_hz, so_far.phase
    if isinstance(payload, RatingGiven):
        number = payload.corrects or len(so_far.ratings)
        rating = final.ratings[number - 1] if number <= len(final.ratings) else None
        phase = final.phases[rating.phase_number - 1] if rating and rating.phase_number else None
        is_correction = payload.corrects is not None
        return Annotation(
            onset_s,
            None,
            "",
            "correction" if is_correction else "rating",
            phase=phase.number if phase else None,
            phase_kind=phase.kind if phase else "",
            rating_phase=phase.number if phase else None,
            discomfort=rating.value if rating and not is_correction else None,
            corrected_from=rating.originals[0] if rating and rating.originals and not is_correction else None,
        )
    duration_s = None
    if isinstance(payload, PhaseBegun) and phase:
        end_frame = final.phases[phase.number - 1].end_frame
        end_frame = recording.n_frames if end_frame is None else end_frame
        duration_s = max(0, end_frame - event.frame) / recording.rate_hz
    return Annotation(
        onset_s,
        duration_s,
        "",
        "note" if isinstance(payload, Finished) else event.kind,
        phase=phase.number if phase else None,
        phase_kind=phase.kind if phase else "",
    )


def describe_payload(payload: Payload, so_far: Account, units: Mapping[str, str]) -> str:  # noqa: PLR0911 - one per kind
    """One line, or nothing for what belongs to the settings rather than to a moment; ``units`` by channel name."""
    match payload:
        case RatingGiven(value=value, corrects=corrects):
            said = "none" if value is None else f"{value:g}"
            number = corrects or len(so_far.ratings)
            rating = so_far.ratings[number - 1] if number <= len(so_far.ratings) else None
            phase = f", phase {rating.phase_number}" if rating and rating.phase_number else ""
            return f"rating {said}{phase}" + (f" (corrects {corrects})" if corrects else "")
        case PhaseBegun(phase_kind="end"):
            return "phase end"
        case PhaseBegun(phase_kind=kind, band=band, title=title):
            percent = f" {band.low_percent:g}-{band.high_percent:g} %" if band else ""
            return f"phase {len(so_far.phases)} {kind}{percent}" + (f": {title}" if title else "")
        case Stopped(reason=reason):
            return f"stop: {reason}"
        case Noted(text=text):
            return f"note: {text}"
        case Finished():
            return "note: session finished"
        case MaximumSet(maximum=m):
            unit = units.get(m.channel, "")
            return f"maximum: {m.channel} {m.strength:.9g} {unit} above {m.baseline:.9g}, {m.method}"
        case ZeroTaken(channels=zeros):
            return "zero: " + "; ".join(
                f"{name} {zero.level:.9g} {units.get(name, '')} sd {zero.sd:.6g}" for name, zero in zeros.items()
            )
    return ""


def parse_events(annotations: Iterable[tuple[float, float | None, str]], rate_hz: float) -> list[Event]:
    """The inverse for what has a rule above, from ``(onset_s, duration_s, text)``; other texts become notes.

    A passive phase is relaxed, so that the position's own tension can be learnt in it. Phases without a number are
    counted; a rating that names no phase belongs to the one in which it was given.
    """
    events: list[Event] = []
    index, is_running = -1, False
    for onset_s, duration_s, text in sorted(annotations, key=_order):
        said: list[Payload]
        if (match := RATING.fullmatch(text)) and says_rating(match):
            said = [_parse_rating(match, index if is_running else -1)]
        elif match := PHASE.fullmatch(text):
            is_running = match["kind"].lower() != "end"
            if is_running:
                index = int(match["number"]) - 1 if match["number"] else index + 1
            said = [_parse_phase(match, index, duration_s), Relaxed(on=match["kind"].lower() == "passive")]
        elif match := MAXIMUM.fullmatch(text):
            said = [_parse_maximum(match)]
        elif text.startswith("zero: ") and (zeros := _parse_zero(text)):
            said = [ZeroTaken(channels=zeros)]
        elif text.startswith("stop: "):
            said = [Stopped(reason=text.removeprefix("stop: "))]
        else:
            said = [Noted(text=text.removeprefix("note: "))]
        events += [make_event(payload, round(onset_s * rate_hz)) for payload in said]
    return events


def _order(annotation: tuple[float, float | None, str]) -> tuple[float, int]:
    """By time; of one moment, what a rating may refer to comes before it: readers of EDF give no order of their own."""
    onset_s, _, text = annotation
    is_rating, is_correction = text.lower().startswith(("rating", "discomfort")), "(corrects " in text
    return onset_s, 2 * is_rating + is_correction + bool(NUMBERED_END.fullmatch(text))


def says_rating(match: re.Match[str]) -> bool:
    """Whether the number that stands there is one of the scale, or no answer."""
    return match["value"].lower() == "none" or SCALE.holds(float(match["value"].replace(",", ".")))


def _parse_rating(match: re.Match[str], index: int) -> RatingGiven:
    place = int(match["phase"]) - 1 if match["phase"] else index
    return RatingGiven(
        value=None if match["value"].lower() == "none" else float(match["value"].replace(",", ".")),
        phase_index=None if place < 0 else place,
        by="import",
        corrects=int(match["corrects"]) if match["corrects"] else None,
    )


def _parse_phase(match: re.Match[str], index: int, duration_s: float | None) -> PhaseBegun:
    low, high = (float(match[edge] or 0) for edge in ("low", "high"))
    return PhaseBegun(
        phase_kind=match["kind"].lower(),
        index=index,
        title=match["title"] or "",
        band=Band(low, high) if low < high else None,
        grace_s=0.0,
        duration_s=duration_s or 0.0,
        cycle=0,
    )


def _parse_maximum(match: re.Match[str]) -> Payload:
    try:
        maximum = Maximum(
            channel=match["name"],
            strength=float(match["strength"]),
            baseline=float(match["baseline"]),
            unit=match["unit"],
            method=match["method"],  # type: ignore[arg-type]
        )
    except ValueError:  # 0 or beyond every number: kept as what was written
        return Noted(text=match.group(0))
    return MaximumSet(maximum=maximum, settled=False, by="import")


def _parse_zero(text: str) -> dict[str, Zero]:
    """By channel; the unit goes with it, so that a reader in other units can leave it out."""
    found = (ZERO.fullmatch(part) for part in text.removeprefix("zero: ").split("; "))
    return {
        match["name"]: Zero(float(match["level"]), float(match["sd"]), unit=match["unit"]) for match in found if match
    }


def place_ratings(events: Iterable[Event], phases: Iterable[PhaseOnRecord]) -> list[Event]:
    """The same events, each rating that names no phase with the one of ``phases`` that it was given in."""
    known = list(phases)
    placed = []
    for event in events:
        payload = try_read(event)
        if isinstance(payload, RatingGiven) and payload.phase_index is None and payload.corrects is None:
            inside = [
                p.index
                for p in known
                if p.first_frame <= event.frame and (p.end_frame is None or event.frame < p.end_frame)
            ]
            place = inside[-1] if inside else None
            event = make_event(  # noqa: PLW2901 - the same event, placed
                RatingGiven(value=payload.value, phase_index=place, by=payload.by), event.frame, event.utc
            )
        placed.append(event)
    return placed


def _shorten(text: str) -> str:
    """One line without control characters, short enough."""
    line = "".join(c if c.isprintable() else " " for c in text)
    return line if len(line) <= LONGEST_TEXT else line[: LONGEST_TEXT - 1] + "…"
