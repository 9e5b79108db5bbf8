"""An athlete over weeks as text, as one HTML page, and as a figure."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime

import matplotlib as mpl
from matplotlib.figure import Figure, SubFigure
from matplotlib.ticker import FuncFormatter, MaxNLocator

from biofeedback.analysis.history import DAY_S, History, HistoryGroup, Measure, SideRow
from biofeedback.analysis.reliability import SideDifference
from biofeedback.analysis.response_words import describe_response
from biofeedback.analysis.trends import FIRM
from biofeedback.cautions import CAUTIONS
from biofeedback.report.figures import PALETTE, STYLE, set_margins
from biofeedback.report.figuring import EMPTY, capitalise, count, find_digits, number, signed
from biofeedback.report.learning_figure import LEARNING_CAPTION, draw_learning, find_height_inch, list_drawn
from biofeedback.report.markup import Markup, join, tag
from biofeedback.report.page import build_page, draw_svg, frame_figure, list_section, show_table
from biofeedback.report.table import Table
from biofeedback.report.training_tables import describe_lessons
from biofeedback.report.words import advise_effort

CHANGE_WORDS = {
    "up": "higher",
    "down": "lower",
    "within measurement error": "no real change",
    "not decided": "not decided yet",
    "unknown": "not known",
}
NOTE = (
    "A change is judged on all sessions, not first against last: it is called real when the order of the values rises "
    "or falls beyond a limit (Kendall’s S, a number of standard deviations) that chance passes in less than 5 % of "
    "series even when it is looked at after every session up to the twentieth, also where neighbouring sessions "
    "correlate by 0.3; seven sessions are needed, and what was real once stays so while all sessions still say it. "
    "Evenings close in time resemble each other, so a run of good ones can look like a change: what would pass only if "
    "they did not is “not decided yet”. Where neighbouring sessions are seen to hang together the limit is "
    "wider. Trend: the median of all pairwise slopes (Theil-Sen). Minimal detectable change between two single "
    "sessions: t × √2 × the standard error of measurement (Weir, J Strength Cond Res 2005), from this person's own "
    "differences from session to session."
)
BORROWED = "How much single ratings scatter was also learnt from the earlier sessions."
SIMULATED = "These recordings are simulated: read them as an example, do not train by them."
SINGLE = "One session so far: a history begins with the second."


def build_history(history: History) -> str:
    """The history as a whole HTML document."""
    parts = [tag("section", *_show_head(history), class_="first-plain")]
    for group in history.groups:
        parts.append(_show_group(group, describe_apart(history, group)))
    if history.sides:
        sentences = [f"{name_side(row)}: {describe_side(row.difference)}" for row in history.sides]
        parts.append(list_section("Left and right", sentences))
    parts.append(list_section("Cautions", CAUTIONS, class_="cautions"))
    return build_page(f"History of {history.athlete}", join(*parts))


def describe_history(history: History) -> tuple[str, ...]:
    """The history as lines of text for a terminal."""
    lines = []
    for group in history.groups:
        lines.append(f"{name_group(group)}: {count(len(group.points), 'session')}")
        lines += [f"  {sentence}" for sentence in (*describe_group(group), *describe_apart(history, group))]
        if len(group.points) > 1:
            lines += [f"  {measure.name}: {describe_measure(measure)}" for measure in group.measures]
            lines += [f"  {sentence}" for sentence in (*describe_together(group), *describe_repeats(group))]
    lines += [f"{name_side(row)}: {describe_side(row.difference)}" for row in history.sides]
    if history.undated:
        lines.append(f"left out, without a date: {', '.join(history.undated)}")
    return tuple(lines)


def describe_group(group: HistoryGroup) -> tuple[str, ...]:
    """What contraction does over the sessions, what was learnt for the newest one, the lessons, and what to do next."""
    lessons = describe_lessons([one for point in group.points for one in point.repeats])
    if len(group.points) == 1:
        return (SINGLE, *lessons)
    newest = f"The newest session: {describe_response(group.latest)[0]}"
    latest = (newest, BORROWED) if group.latest.borrowed else ()
    advice = advise_effort(group.dose, group.answer.word) if group.dose.n_points else []
    return (*group.answer.sentences(), *latest, *lessons, *([SIMULATED] if group.simulated else advice))


def describe_apart(history: History, group: HistoryGroup) -> list[str]:
    """That the same stretch was also held after something else, and is not mixed with these sessions."""
    mine = group.points[0].key
    others = [one for one in history.groups if one.points[0].key[:4] == mine[:4] and one is not group]
    if not others:
        return []
    named = ", ".join(
        f"{count(len(one.points), 'session')} {name_before(one) or 'with nothing before'}" for one in others
    )
    return [
        f"Kept apart: {named}. Warmth, massage, a warm-up or contractions before may ease discomfort by themselves, so "
        "sessions with and without are not read together."
    ]


def name_before(group: HistoryGroup) -> str:
    """What was done beforehand; empty where nothing was."""
    return f"after {' and '.join(group.before)}" if group.before else ""


def describe_together(group: HistoryGroup) -> list[str]:
    """That several verdicts stand side by side, and which measures hang together from session to session."""
    said = []
    n_judged = sum(measure.may_be_real for measure in group.measures)
    if n_judged > 1:
        said.append(
            f"{n_judged} measures were judged side by side, and more is asked of each, so that all of them together "
            "have a chance below 5 % of one that is called real by luck (Holm)."
        )
    tied = [m.name for m in group.measures if m.correlation is not None and m.correlation > len(m.values) ** -0.5]
    if tied:
        said.append(
            f"Neighbouring sessions hang together in {', '.join(tied)}: more than scatter was asked of a trend."
        )
    return said


def describe_measure(measure: Measure) -> str:
    """First and last value, and whether the difference is real."""
    unit = f" {measure.unit}" if measure.unit else ""
    digits = _find_digits(measure)
    first, last = number(measure.values[0], digits), number(measure.values[-1], digits)
    if measure.change is None:
        return f"{last}{unit}, measured once"
    if measure.change.word == "unknown":
        return f"{first} to {last}{unit}; {measure.change.reason}"
    return f"{first} to {last}{unit}: {CHANGE_WORDS[measure.change.word]} ({explain_change(measure)})"


def explain_change(measure: Measure) -> str:
    """The reason of a verdict, and what a real change would not withstand."""
    if measure.change is None or measure.strength is None or measure.change.word not in ("up", "down"):
        return "" if measure.change is None else measure.change.reason
    if measure.strength >= FIRM:
        return measure.change.reason
    return (
        f"{measure.change.reason}; if sessions close in time are very alike, which so few cannot rule out, it may be "
        "chance too"
    )


def describe_repeats(group: HistoryGroup) -> list[str]:
    """How well maximal attempts repeat: their standard error, and what one attempt is worth (ICC)."""
    if group.repeats.sem is None:
        return []
    sem = number(group.repeats.sem, find_digits(group.repeats.sem))
    said = [f"Maximal attempts within a session repeat with a standard error of {sem} {_find_unit(group)}."]
    if group.agreement is not None:
        icc, table = group.agreement.icc("ICC(2,1)"), f"{group.agreement.n_subjects} sessions of "
        table += f"{group.agreement.n_trials} attempts"
        interval = f"95 % interval {number(max(icc.low, 0.0), 2)} to {number(icc.high, 2)}"
        said.append(
            f"One attempt tells sessions apart with ICC(2,1) {number(max(icc.value, 0.0), 2)} ({interval}; {table}): "
            "near 1 the sessions differ by more than the attempts do, near 0 attempts scatter as much as sessions."
        )
    return said


def describe_side(difference: SideDifference) -> str:
    """Left against right in one sentence."""
    if difference.left_minus_right_percent is None:
        return f"left against right is not known: {difference.reason}"
    percent = signed(difference.left_minus_right_percent, 0)
    return f"left is {percent} % against right: {difference.word} ({difference.reason})"


def name_group(group: HistoryGroup) -> str:
    """Exercise, side and position in one line."""
    return (
        " · ".join(
            text
            for text in (
                group.exercise,
                group.side,
                group.position,
                name_before(group),
                "simulated" if group.simulated else "",
            )
            if text
        )
        or "no exercise named"
    )


def name_side(row: SideRow) -> str:
    """Exercise and position in one line."""
    return " · ".join(text for text in (row.exercise, row.position) if text) or "no exercise named"


def tabulate_measures(group: HistoryGroup) -> Table:
    """One row per measure: first, last, change, minimal detectable change, trend."""
    rows = []
    for m in group.measures:
        trend, digits = m.trend_per_week, _find_digits(m)
        ends = [EMPTY if v is None else signed(v, digits + 1) for v in (trend.low, trend.high)]
        rows.append(
            (
                f"{m.name}, {m.unit}" if m.unit else m.name,
                str(len(m.values)),
                number(m.values[0], digits),
                number(m.values[-1], digits),
                EMPTY if m.change is None else signed(m.change.difference, digits),
                number(m.error.mdc95, digits),
                EMPTY if trend.slope is None else signed(trend.slope, digits + 1),
                " to ".join(ends) if EMPTY not in ends else EMPTY,
                "measured once" if m.change is None else CHANGE_WORDS[m.change.word],
            )
        )
    head = (
        "measure", "sessions", "first", "last", "change by the trend", "minimal detectable change",
        "trend a week", "95 % interval",
        "verdict",
    )  # fmt: skip
    return Table("What changed", head, tuple(rows), (0, 8))


def draw_history(figure: Figure | SubFigure, group: HistoryGroup) -> None:
    """Each measure over the dates, and the trend over all of them where it is real."""
    measures = group.measures
    with mpl.rc_context(STYLE):
        axes = figure.subplots(len(measures), 1, sharex=True, squeeze=False, gridspec_kw={"hspace": 0.06})[:, 0]
        for axis, measure in zip(axes, measures, strict=True):
            first = measure.values[0]
            if measure.change is not None and measure.change.word in ("up", "down"):
                ends = [measure.trend_per_week.at((day - measure.days[0]) / 7) for day in measure.days]
                axis.plot(measure.days, ends, color=PALETTE["edge"], linewidth=1.4, linestyle=(0, (4, 2)))
            axis.plot(measure.days, measure.values, color=PALETTE["soft"], linewidth=1.0)
            axis.plot(measure.days, measure.values, marker="o", markersize=5, linestyle="none", color=PALETTE["effort"])
            axis.set_ylabel(_break(measure.name) + (f"\n({measure.unit})" if measure.unit else ""))
            axis.margins(x=0.04, y=0.25)
            low, high = axis.get_ylim()
            short = max(0.1 * abs(first), 1.0) - (high - low)  # a tenth of the value at least, or noise looks large
            axis.set_ylim(low - max(0.0, short) / 2, high + max(0.0, short) / 2)
            axis.yaxis.set_major_locator(MaxNLocator(3))
            axis.grid(axis="y", color=PALETTE["line"], linewidth=0.6)
            axis.set_axisbelow(True)
        axes[-1].xaxis.set_major_locator(MaxNLocator(6))
        axes[-1].xaxis.set_major_formatter(FuncFormatter(lambda day, _: f"{_date(day):%d %b %y}"))
        axes[-1].set_xlabel("date of the session")
        for axis in axes:
            axis.yaxis.set_label_coords(-0.068, 0.5)
        set_margins(figure, left=1.0, right=0.4, bottom=0.5, top=0.08)  # the last date needs room


def _show_head(history: History) -> Sequence[Markup]:
    points = [point for group in history.groups for point in group.points]
    parts = [tag("h1", f"{history.athlete} over {count(len(points), 'session')}")]
    if any(point.simulated for point in points):
        parts.append(tag("p", "Simulated athlete and sensors", class_="badge"))
    if history.undated:
        parts.append(tag("p", f"Left out, without a date: {', '.join(history.undated)}.", class_="note"))
    return [*parts, tag("p", NOTE, class_="note")]


def _show_group(group: HistoryGroup, apart: Sequence[str]) -> Markup:
    sentences = [tag("p", sentence) for sentence in (*describe_group(group), *apart)]
    parts = [tag("h2", name_group(group)), tag("section", *sentences, class_="effect")]
    repeats = [one for point in group.points for one in point.repeats]
    if list_drawn(repeats):
        svg = draw_svg(lambda figure: draw_learning(figure, repeats), (8.6, find_height_inch(repeats)))
        parts.append(frame_figure(svg, LEARNING_CAPTION, "trace"))
    if len(group.points) == 1:
        return tag("section", *parts)
    if any(len(measure.values) > 1 for measure in group.measures):
        svg = draw_svg(lambda figure: draw_history(figure, group), (8.6, 0.6 + 1.05 * len(group.measures)))
        caption = "Dashed: the trend over all sessions, where it is real. Dots: single sessions, which scatter."
        parts.append(frame_figure(svg, caption, "trace"))
    parts.append(show_table(tabulate_measures(group)))
    reasons = [f"{capitalise(m.name)}: {explain_change(m)}." for m in group.measures if m.change is not None]
    reasons += [*describe_together(group), *describe_repeats(group)]
    return tag("section", *parts, list_section("Why", reasons) if reasons else Markup())


def _find_digits(measure: Measure) -> int:
    """Decimals of a measure: one, and more where it is in a large unit such as kN or m."""
    return 1 if measure.unit in ("points", "%") else find_digits(max(map(abs, measure.values)))


def _find_unit(group: HistoryGroup) -> str:
    return next((measure.unit for measure in group.measures if measure.name == "maximum"), "")


def _break(name: str) -> str:
    """A long name on two lines."""
    head, _, tail = name.partition(" while ")
    return f"{head}\nwhile {tail}" if tail else name


def _date(day: float) -> datetime:
    return datetime.fromtimestamp(day * DAY_S, UTC)
