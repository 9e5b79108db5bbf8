"""A group of athletes in sentences."""

from __future__ import annotations

from biofeedback.analysis.people import People
from biofeedback.analysis.words import describe_points
from biofeedback.report.figuring import count

WORDS = {
    "less": "clearly less discomfort",
    "more": "clearly more discomfort",
    "no change that matters": "no change of 2 points, clearly",
    "not decided": "not decided",
}


def describe_people(title: str, people: People, *, shrink: bool = False) -> tuple[str, ...]:
    """How much responses differ, what the next athlete may expect, and who clearly responds; codes, no names."""
    n_sessions = sum(person.n_sessions for person in people.persons)
    lines = [f"{title}: {count(len(people.persons), 'athlete')}, {count(n_sessions, 'session')} with an answer"]
    if people.mean is None or people.low is None or people.high is None or people.between_sd is None:
        return (*lines, f"  how responses differ is not known: {people.reason}")
    lines.append(
        f"  on average {describe_points(people.mean)} while contracting (95 % interval: "
        f"{describe_points(people.low)} to {describe_points(people.high)})"
    )
    spread = f"true responses differ from person to person by an SD of {people.between_sd:.1f} points"
    certain = "" if not people.sd_low else ", beyond the scatter of ratings"
    unsure = " (the scatter of ratings alone could look like this)" if not people.sd_low else ""
    lines.append(f"  {spread}{certain}, 95 % interval {people.sd_low:.1f} to {people.sd_high:.1f}{unsure}")
    if people.next_low is not None and people.next_high is not None:
        lines.append(
            f"  the next athlete may expect anything from {describe_points(people.next_low)} to "
            f"{describe_points(people.next_high)} (95 % prediction interval)"
        )
    for word, said in WORDS.items():
        codes = [person.athlete for person in people.persons if person.word == word]
        if codes:
            lines.append(f"  {said}: {', '.join(codes)}")
    lines.append("  each athlete by own ratings alone, at 95 %: one in twenty is called clear by chance")
    if shrink:
        drawn = (
            f"{person.athlete} {value:+.1f} (own ratings {person.change:+.1f})"
            for person, value in zip(people.persons, people.shrunk, strict=True)
        )
        lines.append(f"  drawn towards the group, best guesses: {', '.join(drawn)}")
    return tuple(lines)
