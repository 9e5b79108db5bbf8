"""A trial over evenings in words: the answer, and what the reporting standard for single-person trials asks for.

Items after CENT 2015 (CONSORT extension for n-of-1 trials, BMJ 350 (2015) h1738; its items from memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from biofeedback.analysis.trial import CONFIDENCE, LOOK_P, TrialAnswer, TrialEvening, WayDifference
from biofeedback.cautions import CAUTIONS
from biofeedback.report.figuring import EMPTY, number, signed
from biofeedback.report.markup import join, tag
from biofeedback.report.page import build_page, list_section, show_table
from biofeedback.report.table import Table

NO_LICENCE = "Less discomfort is no licence to go further, and easier is not further: the two are told apart."


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialReport:
    """Everything that is told of a trial; ``answers`` by outcome: its title, unit, evenings and answer."""

    name: str
    athlete: str
    stretch: str
    drawn_utc: str
    ways: Mapping[str, str]
    n_blocks: int
    seed: int
    answers: Sequence[tuple[str, str, Sequence[TrialEvening], TrialAnswer]]
    said: Sequence[str]
    harms: Sequence[str]
    simulated: bool = False


def describe_trial(report: TrialReport) -> list[str]:
    """The trial as lines of text for a terminal."""
    what = f"{', '.join(report.ways)} in {report.n_blocks} blocks"
    lines = [f"Trial {report.name}: {what} ({report.stretch or 'no stretch named'})"]
    for title, unit, _, answer in report.answers:
        lines.append(f"{title}:")
        lines += [f"  {text}" for text in describe_answer(answer, unit)]
    lines += [f"said: {text}" for text in report.said]
    return [*lines, NO_LICENCE]


def describe_answer(answer: TrialAnswer, unit: str) -> list[str]:
    """Which way is lowest, if any, then each pair."""
    said = []
    if answer.lowest or answer.highest:
        ends = [
            f"{way} is {end} of all" for way, end in ((answer.lowest, "lowest"), (answer.highest, "highest")) if way
        ]
        said.append(f"{' and '.join(ends)}, beyond what chance brings at any look")
    elif all(one.word == "too few evenings to say" for one in answer.differences):
        said.append("too few evenings to say")
    else:
        said.append("no way stands out from every other one")
    return said + [describe_difference(one, unit) for one in answer.differences]


def describe_difference(one: WayDifference, unit: str) -> str:
    """One pair in a sentence."""
    if one.difference is None:
        return f"{one.first} against {one.second}: {one.reason}"
    p = "" if one.p is None else f"; p over the schedules {one.p:.3f}"
    told = {"lower": "lower", "higher": "higher"}.get(one.word, one.word)
    missing = {None: "; more blocks than can be asked for are missing", 0: ""}.get(
        one.n_missing, f"; {one.n_missing} blocks are missing for the yardstick"
    )
    return f"{one.first} against {one.second}: {signed(one.difference, 1)} {unit}, {told} ({one.reason}{p}{missing})"


def tabulate_differences(answer: TrialAnswer, unit: str) -> Table:
    """A row for each pair."""
    rows = tuple(
        (
            f"{one.first} against {one.second}",
            EMPTY if one.difference is None else signed(one.difference, 2),
            EMPTY if one.low is None or one.high is None else f"{signed(one.low, 2)} to {signed(one.high, 2)}",
            number(one.p, 3),
            one.word,
            EMPTY if one.n_missing is None else str(one.n_missing),
        )
        for one in answer.differences
    )
    head = ("ways", f"difference, {unit}", "95 % interval", "p over the schedules", "verdict", "blocks missing")
    return Table("Differences", head, rows, (0, 4))


def tabulate_evenings(report: TrialReport) -> Table:
    """What was drawn, done and measured, evening by evening."""
    rows = tuple(
        (str(same[0].number), same[0].drawn, same[0].done or "nothing of it", *(number(one.outcome, 1) for one in same))
        for same in zip(*(evenings for _, _, evenings, _ in report.answers), strict=True)
    )
    head = ("evening", "drawn", "done", *(f"{title.lower()}, {unit or EMPTY}" for title, unit, _, _ in report.answers))
    return Table("Evenings", head, rows, (1, 2))


def list_items(report: TrialReport) -> list[tuple[str, str]]:
    """What the reporting standard asks for, item by item."""
    answer = report.answers[0][3]
    how = "all of them" if answer.is_enumerated else "10,000 of them, drawn with the same seed"
    return [
        ("Design", f"single-person trial, {len(report.ways)} ways in {report.n_blocks} blocks, each way once a block"),
        ("Participant", f"{report.athlete}; {report.stretch or 'no stretch named'}"),
        ("Ways", "; ".join(f"{way}: {text}" for way, text in report.ways.items())),
        ("Order by lot", f"drawn {report.drawn_utc[:16]} UTC with seed {report.seed}, stored before the first evening"),
        ("Concealment", "none: coach and athlete can look at the order beforehand"),
        ("Blinding", "none is possible: what is felt is known; expectation can make up part of any difference"),
        ("Outcomes", "discomfort 0-10 while relaxed at the same range; range at the agreed discomfort"),
        ("Evenings planned", f"{report.n_blocks * len(report.ways)}, held {len(report.answers[0][2])}"),
        (
            "Carry-over",
            "no wash-out but the days between; none to 30 % of the effect of the evening before is allowed for, most "
            "likely a tenth, and stands in the intervals",
        ),
        (
            "Estimate",
            "least squares with blocks, of evenings as drawn, averaged over what may carry over; the t interval",
        ),
        ("Test", f"p over the {answer.n_schedules} schedules that could have been drawn ({how}), of all as drawn"),
        (
            "Several looks",
            f"a word needs p of the t test at most {LOOK_P[len(report.ways)]:g} and of the draw at most "
            f"{1 - CONFIDENCE:.2f}: below 5 % over looks after 3 to 12 blocks and all pairs",
        ),
        ("Scatter", "not known" if answer.sd is None else f"{answer.sd:.2f} points from evening to evening in a block"),
        ("Deviations and missing", "; ".join(report.said) or "none"),
        ("Harms", "; ".join(report.harms) or "none was told"),
        ("Registration", "none but the file of the trial; who paid: nobody was asked"),
        ("Reach", "of this person, this stretch and these ways; of nobody else"),
    ]


def build_trial(report: TrialReport) -> str:
    """The whole report as an HTML document."""
    parts = [tag("h1", f"Which way helps most: {report.athlete}")]
    if report.simulated:
        parts.append(tag("p", "Simulated athlete and sensors", class_="badge"))
    sections = [tag("section", *parts, tag("p", NO_LICENCE, class_="note"), class_="first-plain")]
    for title, unit, _, answer in report.answers:
        sentences = [tag("p", text) for text in describe_answer(answer, unit)]
        sections.append(tag("section", tag("h2", title), *sentences, show_table(tabulate_differences(answer, unit))))
    sections.append(tag("section", show_table(tabulate_evenings(report))))
    about = Table("About the trial", ("what", "of this trial"), tuple(list_items(report)), (0, 1))
    sections.append(tag("section", show_table(about)))
    sections.append(list_section("Cautions", CAUTIONS, class_="cautions"))
    return build_page(f"Trial {report.name}", join(*sections))
