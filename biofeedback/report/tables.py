"""The tables of a report, as text cells, and how each number was made."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from biofeedback.analysis.answer import PhaseRow, SessionAnalysis, format_clock
from biofeedback.calibration.effort import UNCERTAIN_PERCENT
from biofeedback.report.words import (
    EMPTY,
    PHASE_WORDS,
    capitalise,
    describe_maximum,
    describe_zeros,
    explain_set,
    number,
    signed,
)

DOSE_TITLE = "How much effort"


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of text under ``head``; ``text_columns`` are set to the left, the others are numbers."""

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    text_columns: tuple[int, ...] = (0,)
    note: str = ""


def list_tables(analysis: SessionAnalysis) -> tuple[Table, ...]:
    """All tables there is material for, in the order of a report."""
    tables = (
        tabulate_phases(analysis) if analysis.phases else None,
        tabulate_contrasts(analysis),
        tabulate_dose(analysis),
        tabulate_choices(analysis),
        tabulate_holds(analysis),
        tabulate_ratings(analysis),
        tabulate_attempts(analysis),
        tabulate_other_channels(analysis),
    )
    return tuple(table for table in tables if table is not None)


def tabulate_phases(analysis: SessionAnalysis) -> Table:
    """One row per phase: effort, steadiness, band, rating."""
    rows = []
    for row in analysis.phases:
        s, phase = row.summary, row.phase
        band = f"{phase.band.low_percent:g}–{phase.band.high_percent:g}" if phase.band else EMPTY
        rows.append(
            (
                f"{phase.number} {PHASE_WORDS[phase.kind]}",
                format_clock(phase.start_s),
                f"{phase.duration_s:.0f}" + (" (cut)" if phase.cut_short else ""),
                band,
                number(s.mean_percent, 1) + _show_doubt(analysis, row),
                number(s.sd_percent, 1),
                number(s.cv_percent, 1),
                number(s.steadiness_cv_percent, 1),
                number(s.time_in_band_s, 1),
                number(s.in_band_percent, 0),
                number(s.longest_stay_s, 1),
                EMPTY if s.n_excursions is None else str(s.n_excursions),
                number(s.time_to_band_s, 1),
                number(s.rms_outside_percent, 1),
                _show_rating(row),
            )
        )
    head = (
        "phase", "start", "length, s", "band, %", "mean, %", "SD", "CV, %", "steadiness CV, %", "in band, s",
        "in band, %", "longest stay, s", "excursions", "to reach band, s", "RMS outside, %", "rating",
    )  # fmt: skip
    marked = [f"phase {r.phase.number}: {'; '.join(r.marks)}" for r in analysis.phases if r.marks]
    unknown = [f"phase {r.phase.number}: {r.summary.reason}" for r in analysis.phases if r.summary.mean_percent is None]
    note = "Effort in % of the maximum. " + (f"* marked and kept: {' · '.join(marked)}. " if marked else "")
    note += f"Not computed: {' · '.join(unknown)}." if unknown else ""
    return Table("Phase by phase", head, tuple(rows), (0,), note.strip())


def _show_doubt(analysis: SessionAnalysis, row: PhaseRow) -> str:
    """The +- of a mean effort (2 SD), where the baseline's uncertainty matters."""
    trace, phase = analysis.trace, row.phase
    spread = trace.plus_minus_percent[phase.first_level : phase.end_level, trace.guide]
    known = spread[np.isfinite(spread)]
    return f" ± {2 * known.mean():.0f}" if known.size and known.mean() >= UNCERTAIN_PERCENT else ""


def tabulate_other_channels(analysis: SessionAnalysis) -> Table | None:
    """Mean of every further channel per phase; None when there is none."""
    trace = analysis.trace
    others = [c for c in range(len(trace.channels)) if c != trace.guide]
    if not others or not analysis.phases:
        return None
    head = ("phase", *(f"{trace.channels[c].name}, {_unit(analysis, c)}" for c in others))
    rows = tuple(
        (
            f"{row.phase.number} {PHASE_WORDS[row.phase.kind]}",
            *(number(row.summaries[c].mean_percent, 1) for c in others),
        )
        for row in analysis.phases
    )
    note = "Means over the counted time. Muscle activity above 100 % of its maximum is ordinary and is not cut off."
    return Table("Other channels", head, rows, (0,), note)


def tabulate_dose(analysis: SessionAnalysis) -> Table | None:
    """Expected change over effort; None without a single complete contraction."""
    dose = analysis.dose
    if not dose.n_points:
        return None
    levels = {dose.at(percent).effort_percent: dose.at(percent) for percent in (10, 25, 40, 55, 70, 90)}
    rows = tuple(
        (
            f"{level.effort_percent:.0f} %",
            signed(level.change),
            f"{signed(level.low)} to {signed(level.high)}",
            f"{level.chance_percent:.0f} %",
        )
        for level in levels.values()
    )
    shapes = (
        f"no effect {dose.none_percent:.0f} %, straight line {dose.line_percent:.0f} %, saturating "
        f"{dose.saturating_percent:.0f} %, turning {dose.turning_percent:.0f} %"
    )
    test = analysis.dose_test
    drawn = (
        f"more effort, less discomfort: p = {test.p_less:.2g} over the orders that could have been drawn"
        if test
        else ""
    )
    parts = [dose.least_reason, dose.doubt, f"weight of the shapes: {shapes}", drawn, dose.next_reason, dose.misfit]
    note = ". ".join(capitalise(part) for part in parts if part) + "."
    return Table(
        DOSE_TITLE, ("effort", "expected change", "95 % interval", "chance of 2 points less"), rows, (0,), note
    )


def tabulate_choices(analysis: SessionAnalysis) -> Table | None:
    """How the bands of a plan that adapts came about; None for any other plan."""
    rows = []
    for row in analysis.phases:
        if row.choice and row.phase.band:
            band = f"{row.phase.band.low_percent:g}–{row.phase.band.high_percent:g} %"
            by = "the plan" if row.choice.get("by") == "rule" else str(row.choice.get("by"))
            rows.append((str(row.phase.number), band, by, capitalise(str(row.choice.get("reason", "")))))
    note = "Bands chosen from ratings are no drawn order: the dose above stays valid, a p-value does not exist."
    return (
        Table("Bands chosen on the way", ("phase", "band", "by", "why"), tuple(rows), (0, 2, 3), note) if rows else None
    )


def tabulate_holds(analysis: SessionAnalysis) -> Table | None:
    """How each contraction lasted and tired; None when there was none."""
    if not analysis.holds:
        return None
    names = [name for name, _ in analysis.holds[0].emg]
    head = ["contraction in phase", "left the band after, s", "slope of effort, % a min"]
    for name in names:
        head += [f"{name}: median frequency at start, Hz", f"{name}: its slope, % a s", f"{name}: amplitude, % a s"]
    rows = []
    for hold in analysis.holds:
        cells = [str(hold.phase.number), number(hold.exit.held_s, 1), number(hold.slope.slope, 1)]
        for _, emg in hold.emg:
            slopes = [None if t is None else t.slope for t in (emg.median_slope, emg.rms_slope)]
            cells += [number(emg.median_start_hz, 0), number(slopes[0], 2), number(slopes[1], 2)]
        rows.append(tuple(cells))
    reasons = dict.fromkeys(emg.reason for hold in analysis.holds for _, emg in hold.emg if emg.reason)
    told = [*reasons, *([f"suggested {explain_set(analysis)}"] if explain_set(analysis) else [])]
    note = "A dash: the band was not left, or too short to tell. " + " ".join(f"{capitalise(text)}." for text in told)
    return Table("How the contractions lasted", tuple(head), tuple(rows), (0,), note.strip())


def tabulate_ratings(analysis: SessionAnalysis) -> Table | None:
    """Every rating with what went before it; None when there is none."""
    if not analysis.ratings:
        return None
    has_drift = any(link.position_unit for link in analysis.ratings)
    rows = []
    for link in analysis.ratings:
        cells = [
            str(link.number),
            format_clock(link.time_s),
            PHASE_WORDS.get(link.kind, EMPTY),
            "no answer" if link.value is None else f"{link.value:g}",
            number(link.mean_percent, 1),
            number(link.in_band_percent, 0),
            number(link.passive_tension, 1),
            number(link.in_phase_s, 0),
            number(link.in_stretch_s, 0),
            *([number(link.position_drift, 1)] if has_drift else []),
            "; ".join(link.marks),
        ]
        rows.append(tuple(cells))
    unit = analysis.ratings[0].tension_unit
    head = (
        "rating", "at", "phase", "discomfort", "effort, %", "in band, %", f"passive tension, {unit}", "s in phase",
        "s in stretch", *([f"position drift, {analysis.ratings[0].position_unit}"] if has_drift else []), "remark",
    )  # fmt: skip
    note = "Effort and time in band from the start of the phase to the rating. Passive tension counts from the zero."
    return Table("Each rating and what went before it", head, tuple(rows), (0, 2, len(head) - 1), note)


def tabulate_attempts(analysis: SessionAnalysis) -> Table | None:
    """The attempts behind the maximum; None when none were made."""
    if not analysis.attempts:
        return None
    rows = []
    for row in analysis.attempts:
        a = row.attempt
        value = EMPTY if a.value is None else f"{a.value:.1f} {a.unit}"
        peak = EMPTY if a.peak is None else f"{a.peak:.1f} {a.unit}"
        verdict = "counts" if a.accepted else f"set aside: {a.reason}"
        rows.append((str(row.number), value, peak, f"{a.duration_s:.1f} s", "; ".join((verdict, *row.marks))))
    head = ("attempt", "best 0.5 s mean", "highest instant", "held", "verdict")
    return Table("Attempts", head, tuple(rows), (0, 4), describe_maximum(analysis))


def tabulate_contrasts(analysis: SessionAnalysis) -> Table | None:
    """Each contraction between its neighbours."""
    contrasts = analysis.response.contrasts
    if not contrasts:
        return None
    rows = tuple(
        (
            str(c.cycle),
            number(c.before, 1),
            number(c.during, 1),
            number(c.after, 1),
            EMPTY if c.change is None else f"{c.change:+.2f}".replace("-", "−"),
            "; ".join([*([c.reason] if c.reason else []), *c.marks]),
        )
        for c in contrasts
    )
    head = ("contraction", "relaxed before", "contracting", "relaxed after", "change", "remark")
    r = analysis.response
    facts = []
    if r.mean_change is not None and r.low is not None and r.high is not None:
        facts.append(f"mean change {signed(r.mean_change)} (95 % interval {signed(r.low)} to {signed(r.high)})")
    if r.nap is not None:
        facts.append(f"NAP {r.nap:.2f}")
    if r.tau is not None:
        facts.append(f"baseline-corrected Tau {signed(r.tau, 2)}")
    p_values = "" if r.test is None else f"p = {r.test.p_less:.3g} for less, {r.test.p_more:.3g} for more: "
    facts.append(p_values + r.test_reason)
    clean = r.without_marked
    if clean is not None and clean.mean_change is not None:
        facts.append(f"without the marked ratings {signed(clean.mean_change)} ({clean.word}: {clean.reason})")
    notes = [capitalise(note) + "." for note in r.notes]
    return Table(
        "Each contraction against its neighbours", head, rows, (0, 5), " ".join(["; ".join(facts) + ".", *notes])
    )


def list_settings(analysis: SessionAnalysis) -> tuple[tuple[str, str], ...]:
    """Everything needed to know how this recording was made."""
    s, trace = analysis.settings, analysis.trace
    channels = "; ".join(
        f"{c.name} ({c.kind}{', envelope' if c.envelope else ''}, {c.unit}, {c.factor:g} per count, "
        f"shown {1000 * delay:.0f} ms late)"
        for c, delay in zip(trace.channels, trace.delay_s, strict=True)
    )
    missing_s = sum(gap.n_frames for gap in trace.gaps) / trace.rate_hz
    facts = [
        ("Athlete", s.get("athlete")),
        ("Exercise", s.get("exercise")),
        ("Before", ", ".join(s.get("covariates") or ())),
        ("Side", s.get("side")),
        ("Position", s.get("position")),
        ("Joint", s.get("joint")),
        ("Started (UTC)", s.get("started_utc")),
        ("Source", s.get("source")),
        ("Simulated", "yes" if s.get("simulated") else "no"),
        ("Channels", channels),
        ("Sample rate", f"{trace.rate_hz:g} Hz; effort every {1000 / trace.level_rate_hz:.3g} ms"),
        ("Even spacing", trace.resampling),
        ("Zero set again, moved by", describe_zeros(trace)),
        ("Recorded", f"{format_clock(trace.duration_s)} min, {missing_s:.1f} s of it missing"),
        ("Agreed discomfort limit", s.get("limit")),
        ("Baseline", "; ".join(f"{c.name}: {m}" for c, m in zip(trace.channels, trace.baseline_methods, strict=True))),
        ("Software", f"biofeedback {s.get('software', '')}, file format {s.get('format', '')}"),
    ]
    return tuple((name, str(value)) for name, value in facts if value not in (None, ""))


def _show_rating(row: PhaseRow) -> str:
    if row.rating is None:
        return EMPTY
    if row.rating.value is None:
        return "no answer"
    shown = f"{row.rating.value:g}"
    if row.rating.originals:
        first = row.rating.originals[0]
        shown += f" (was {EMPTY if first is None else f'{first:g}'})"
    return shown + ("*" if row.marks else "")


def _unit(analysis: SessionAnalysis, column: int) -> str:
    channel = analysis.trace.channels[column]
    return channel.unit if channel.kind == "position" else "% of its maximum"
