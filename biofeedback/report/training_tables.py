"""Training in a report: sets to fatigue, repeats of lessons with their learning curve, and the sentences for both."""

from __future__ import annotations

from biofeedback.account.kinds import RepeatMade
from biofeedback.account.lessons import LESSONS
from biofeedback.account.target import BAND_LOST
from biofeedback.analysis.answer import SessionAnalysis
from biofeedback.analysis.learning import LearningCurve, fit_learning
from biofeedback.calibration.learning import judge_repeats, list_repeats
from biofeedback.calibration.recovery import count_hard_s
from biofeedback.report.figuring import EMPTY, number
from biofeedback.report.table import Table

LESSONS_TITLE = "Learning to contract"


def tabulate_sets(analysis: SessionAnalysis) -> Table | None:
    """Each set that went on until the band was lost: how long it lasted and against the first; None without one."""
    sets = [hold for hold in analysis.holds if hold.phase.until == BAND_LOST]
    if not sets:
        return None
    first_s = next((hold.exit.left_s for hold in sets if hold.exit.left_s is not None), None)
    rows = []
    for place, hold in enumerate(sets):
        phase, lost_s = hold.phase, hold.exit.left_s
        following = sets[place + 1].phase.start_s if place + 1 < len(sets) else None
        ended = "band lost" if phase.ended_for else "stopped" if phase.closed_by == "stop" else "longest duration"
        rows.append(
            (
                str(phase.number),
                f"{phase.band.low_percent:g}–{phase.band.high_percent:g}" if phase.band else EMPTY,
                number(lost_s, 1),
                number(None if lost_s is None or not first_s else 100 * lost_s / first_s - 100, 0),
                number(phase.duration_s, 1),
                number(None if following is None else following - phase.end_s, 0),
                ended,
            )
        )
    head = ("set in phase", "band, %", "band lost after, s", "against the first, %", "lasted, s", "until the next, s")
    trace = analysis.trace
    hard_s = count_hard_s(trace.account.phases, trace.rate_hz, trace.n_levels * trace.hop)
    rule = f"Lost: below the band for {sets[0].phase.lost_s:g} s in a row; published studies take 2 to 5 s."
    failure = "At task failure people could still produce more: it measures will and discomfort too."
    note = f"{rule} {failure} Hard contractions: {hard_s:.0f} s in all."
    return Table("Sets to fatigue", (*head, "ended"), tuple(rows), (0, 6), note)


def tabulate_lessons(analysis: SessionAnalysis) -> Table | None:
    """Every repeat of every lesson of the session; None without one."""
    repeats = analysis.trace.account.repeats
    if not repeats:
        return None
    head = (
        "lesson",
        "error",
        "kept",
        "constant error, %",
        "RMS error, %",
        "CV, %",
        "without the number: constant, %",
        "RMS, %",
        "CV, % ",
        "onset, s",
        "release, s",
        "wanted channel, %",
    )
    note = " ".join(describe_lessons(repeats))
    return Table(LESSONS_TITLE, head, tuple(_show_repeat(one) for one in repeats), (0, 2), note)


def _show_repeat(one: RepeatMade) -> tuple[str, ...]:
    title = LESSONS[one.lesson].title if one.lesson in LESSONS else one.lesson
    return (
        title,
        number(one.error, 2),
        "yes" if one.kept else "no",
        number(one.constant_error, 1),
        number(one.rms_error, 1),
        number(one.cv_percent, 1),
        number(one.blind_constant_error, 1),
        number(one.blind_rms_error, 1),
        number(one.blind_cv_percent, 1),
        number(one.onset_s, 2),
        number(one.release_s, 2),
        number(one.share_percent, 0),
    )


def describe_lessons(repeats: list[RepeatMade]) -> list[str]:
    """One sentence for each lesson that was tried: passed or not, and how fast the error falls."""
    said = []
    for lesson, about in LESSONS.items():
        own = list_repeats(repeats, lesson)
        if not own:
            continue
        progress, curve = judge_repeats(own), fit_learning([one.error for one in own])
        passed = f"{'passed' if progress.passed else 'not passed yet'}, {progress.reason}"
        said.append(f"{about.title} (error: {about.error}), {len(own)} repeats: {passed}; {describe_curve(curve)}.")
    return said


def describe_curve(curve: LearningCurve) -> str:
    """How fast the error falls, with the interval."""
    if curve.rate is None or curve.low is None or curve.high is None or curve.start is None or curve.floor is None:
        return f"no learning curve: {curve.reason}"
    if not curve.improves:
        return "no fall of the error beyond its scatter"
    return (
        f"the error falls from {curve.start:.1f} towards {curve.floor:.1f}, {100 * curve.rate:.0f} % of what is left a "
        f"repeat (95 % interval {100 * curve.low:.0f} to {100 * curve.high:.0f})"
    )
