"""The course of short lessons for who cannot find the muscle in the stretch: what each asks, and what its error is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Lesson:
    """One lesson: its title, what to do, what the error of a repeat is, and whether it goes by % of a maximum."""

    title: str
    say: str
    error: str
    needs_maximum: bool = True


LESSONS: Mapping[str, Lesson] = {
    "find": Lesson(
        "Find it",
        "Any contraction above rest that is steady for 3 s.",
        "seconds until it is steady",
        needs_maximum=False,
    ),
    "on-off": Lesson(
        "On and off", "Contract on the cue, let go on the cue.", "seconds of onset and release", needs_maximum=False
    ),
    "light": Lesson("Hold it lightly", "Reach a light band and stay in it.", "RMS error, % of maximum"),
    "steady": Lesson("Hold it steadily", "Stay in a narrow band.", "RMS error, % of maximum"),
    "steps": Lesson("Steps", "Follow a band that jumps.", "RMS error, % of maximum"),
    "ramp": Lesson("Ramp", "Follow a band that moves.", "RMS error, % of maximum"),
    "blind": Lesson(
        "Without the number", "Keep the effort while the number is away.", "RMS error without it, % of maximum"
    ),
}
CHECK_AGAIN = ("light", "steady")  # with these the response check is worth doing again
