"""The tables of a report, as text cells, and how each number was made."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from biofeedback.account.words import EFFORT_ENDS, describe_phase
from biofeedback.analysis.answer import PhaseRow, SessionAnalysis
from biofeedback.analysis.care import list_care
from biofeedback.analysis.ranges import PUBLISHED_MDC95_DEGREES, judge_ranges
from biofeedback.analysis.trends import Trend
from biofeedback.calibration.effort import UNCERTAIN_PERCENT
from biofeedback.calibration.position import USUAL_LEVER_M, read_own_limits
from biofeedback.joints import explain_stand_in, find_joint
from biofeedback.model import BOARD_KINDS, name_unit
from biofeedback.report.answer_tables import tabulate_choices, tabulate_contrasts, tabulate_dose
from biofeedback.report.figuring import EMPTY, capitalise, find_digits, format_clock, number
from biofeedback.report.slider_table import tabulate_slider
from biofeedback.report.table import Table
from biofeedback.report.training_tables import tabulate_lessons, tabulate_sets
from biofeedback.report.words import describe_maximum, describe_zeros, explain_set
from biofeedback.signal.emg import find_wandering_percent

SLOPE_S = 10.0  # a slope of fewer seconds is the ramp and the tremor, not fatigue; common practice


def list_tables(analysis: SessionAnalysis) -> tuple[Table, ...]:
    """All tables there is material for, in the order of a report."""
    tables = (
        (tabulate_said if analysis.by_feel else tabulate_phases)(analysis) if analysis.phases else None,
        tabulate_contrasts(analysis),
        tabulate_control(analysis),
        tabulate_ranges(analysis),
        tabulate_dose(analysis),
        tabulate_choices(analysis),
        tabulate_holds(analysis),
        tabulate_sets(analysis),
        tabulate_lessons(analysis),
        tabulate_ratings(analysis),
        tabulate_slider(analysis),
        tabulate_attempts(analysis),
        tabulate_other_channels(analysis),
    )
    return tuple(table for table in tables if table is not None)


def tabulate_phases(analysis: SessionAnalysis) -> Table:
    """One row per phase: effort, steadiness, band, rating."""
    rows = []
    for row in analysis.phases:
        s, phase = row.summary, row.phase
        is_effort = phase.meaning.contracts  # while relaxed a CV divides by next to nothing
        band = f"{phase.band.low_percent:g}–{phase.band.high_percent:g}" if phase.band else EMPTY
        rows.append(
            (
                f"{phase.number} {describe_phase(phase.kind, short=True)}",
                format_clock(phase.start_s),
                f"{phase.duration_s:.0f}" + (" (cut)" if phase.cut_short else ""),
                band,
                number(s.mean_percent, 1) + _show_doubt(analysis, row),
                number(s.sd_percent, 1),
                number(s.cv_percent if is_effort else None, 1),
                number(s.steadiness_cv_percent if is_effort else None, 1),
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


def tabulate_said(analysis: SessionAnalysis) -> Table:
    """One row per phase of a session without a sensor: effort as it was said."""
    rows = tuple(
        (
            f"{row.phase.number} {describe_phase(row.phase.kind, short=True)}",
            format_clock(row.phase.start_s),
            f"{row.phase.duration_s:.0f}" + (" (cut)" if row.phase.cut_short else ""),
            EMPTY if row.phase.felt is None else f"{row.phase.felt:g}",
            EMPTY if row.phase.said_effort is None else f"{row.phase.said_effort:g}",
            _show_rating(row),
        )
        for row in analysis.phases
    )
    head = ("phase", "start", "length, s", "effort asked for, of 10", "effort as said, of 10", "rating")
    marked = [f"phase {r.phase.number}: {'; '.join(r.marks)}" for r in analysis.phases if r.marks]
    note = "No sensor: effort is what the athlete said after each contraction."
    return Table("Phase by phase", head, rows, (0,), note + (f" * {' · '.join(marked)}." if marked else ""))


def _show_doubt(analysis: SessionAnalysis, row: PhaseRow) -> str:
    """The +- of a mean effort (2 SD), where the baseline's uncertainty matters."""
    trace, phase = analysis.trace, row.phase
    spread = trace.plus_minus_percent[phase.first_level : phase.end_level, trace.guide]
    known = spread[np.isfinite(spread)]
    return f" ± {2 * known.mean():.0f}" if known.size and known.mean() >= UNCERTAIN_PERCENT else ""


def tabulate_other_channels(analysis: SessionAnalysis) -> Table | None:
    """Mean of every further channel per phase; None when there is none."""
    trace = analysis.trace
    others = [c for c in range(len(trace.channels)) if c != trace.guide and trace.channels[c].kind in BOARD_KINDS]
    digits = [3 if trace.channels[c].kind == "position" and trace.channels[c].unit == "m" else 1 for c in others]
    if not others or not analysis.phases:
        return None
    head = ("phase", *(f"{trace.channels[c].name}, {_unit(analysis, c)}" for c in others))
    rows = tuple(
        (
            f"{row.phase.number} {describe_phase(row.phase.kind, short=True)}",
            *(number(row.summaries[c].mean_percent, n) for c, n in zip(others, digits, strict=True)),
        )
        for row in analysis.phases
    )
    note = "Means over the counted time. Muscle activity above 100 % of its maximum is ordinary and is not cut off."
    return Table("Other channels", head, rows, (0,), note)


def tabulate_holds(analysis: SessionAnalysis) -> Table | None:
    """How each contraction lasted and tired; None when there was none."""
    if not analysis.holds:
        return None
    names = [name for name, _ in analysis.holds[0].emg]
    head = ["contraction in phase", "left the band after, s", "slope of effort, % a min"]
    head += ["model: tired at its end, %", "model: still tired at the next, %"]
    for name in names:
        head += [f"{name}: median frequency at start, Hz", f"{name}: its slope, % a s", f"{name}: amplitude, % a s"]
    rows = []
    for hold in analysis.holds:
        cells = [str(hold.phase.number), number(hold.exit.held_s, 1)]
        cells.append(_show_slope(hold.slope, 1) if hold.phase.duration_s >= SLOPE_S else EMPTY)
        cells += [number(hold.tired_percent, 0), number(hold.left_percent, 0)]
        for _, emg in hold.emg:
            cells += [number(emg.median_start_hz, 0), *(_show_slope(t, 1) for t in (emg.median_slope, emg.rms_slope))]
        rows.append(tuple(cells))
    reasons = dict.fromkeys(emg.reason for hold in analysis.holds for _, emg in hold.emg if emg.reason)
    shares = [emg.hum_share for hold in analysis.holds for _, emg in hold.emg if emg.hum_share]
    if shares:
        text = f"mains hum held up to {100 * max(shares):.0f} % of the power; median frequencies are without it"
        reasons |= {text: None}
    joint = find_joint(str(analysis.settings.get("joint") or "")).name
    model = f"Tired: predicted share of the muscle, three-compartment model for {joint} (Frey-Law et al. 2012)"
    told = [*reasons, model, *([f"suggested {explain_set(analysis)}"] if explain_set(analysis) else [])]
    note = "A dash: the band was not left, or too short to tell. In brackets: 95 % interval. " + " ".join(
        f"{capitalise(text)}." for text in told
    )
    return Table("How the contractions lasted", tuple(head), tuple(rows), (0,), note.strip())


def _show_slope(trend: Trend | None, digits: int) -> str:
    """A slope with its interval, without which that of a few seconds looks like fatigue."""
    if trend is None or trend.slope is None:
        return EMPTY
    if trend.low is None or trend.high is None:
        return f"{number(trend.slope, digits)} (unknown)"
    return f"{number(trend.slope, digits)} ({number(trend.low, digits)} to {number(trend.high, digits)})"


def tabulate_ratings(analysis: SessionAnalysis) -> Table | None:
    """Every rating with what went before it; None when there is none."""
    if not analysis.ratings:
        return None
    has_drift = any(link.position_unit for link in analysis.ratings)
    has_tension = any(link.passive_tension is not None for link in analysis.ratings)
    digits = find_digits(analysis.maximum.strength if analysis.maximum else 0.0)
    rows = []
    for link in analysis.ratings:
        cells = [
            str(link.number),
            format_clock(link.time_s),
            describe_phase(link.kind, short=True) or EMPTY,
            "no answer" if link.value is None else f"{link.value:g}",
            number(link.mean_percent, 1),
            number(link.in_band_percent, 0),
            *([number(link.passive_tension, digits)] if has_tension else []),
            number(link.in_phase_s, 0),
            number(link.in_stretch_s, 0),
            *([number(link.position_drift, 3 if link.position_unit == "m" else 1)] if has_drift else []),
            "; ".join(link.marks),
        ]
        rows.append(tuple(cells))
    first = analysis.ratings[0]
    head = (
        "rating", "at", "phase", "discomfort", "effort, %", "in band, %",
        *([f"passive tension, {first.tension_unit}"] if has_tension else []), "s in phase", "s in stretch",
        *([f"position drift, {first.position_unit}"] if has_drift else []), "remark",
    )  # fmt: skip
    note = "" if analysis.by_feel else "Effort and time in band from the start of the phase to the rating."
    note += " Passive tension counts from the zero." if has_tension else ""
    return Table("Each rating and what went before it", head, tuple(rows), (0, 2, len(head) - 1), note)


def tabulate_control(analysis: SessionAnalysis) -> Table | None:
    """The whole effect and its local part; None without remote contractions."""
    found = analysis.control
    if found is None:
        return None
    interval = EMPTY if found.low is None or found.high is None else f"{found.low:+.1f} to {found.high:+.1f}"
    p = EMPTY if found.p_less is None else f"{found.p_less:.3g}"
    row = (f"{found.whole:+.1f}", f"{found.remote:+.1f}", f"{found.local:+.1f}", interval, str(found.n_pairs), p)
    head = ("stretched", "remote", "stretched less remote", "95 % interval", "pairs", "p, one-sided")
    note = f"Change against the relaxed phases on both sides, in points. {found.sentence()}"
    return Table("With a control", head, (row,), (), note)


def tabulate_ranges(analysis: SessionAnalysis) -> Table | None:
    """How far the stretch went before and after, with this session's own repeatability; None when it was not read."""
    results = judge_ranges(analysis.trace.account.ranges)
    if not results:
        return None
    rows = tuple(
        (
            r.name,
            ", ".join(f"{value:g}" for value in r.before) or EMPTY,
            ", ".join(f"{value:g}" for value in r.after) or EMPTY,
            EMPTY if r.error.sem is None else f"{r.error.sem:.1f}",
            EMPTY if r.error.mdc95 is None else f"{r.error.mdc95:.1f}",
            EMPTY if r.change is None else f"{r.change.difference:+.1f} {r.unit}: {r.change.word}",
        )
        for r in results
    )
    head = ("range at", "before", "after", "SEM of repeats", "smallest change that counts", "change")
    note = (
        "Repeats of this session say how well it was read today; from day to day it scatters more. For comparison, not "
        f"as this person's own: a straight-leg raise by smartphone repeats to {PUBLISHED_MDC95_DEGREES:g} degrees "
        "(MDC95, one rater, J Bodyw Mov Ther 2024)."
    )
    return Table("Range reached", head, rows, (0, 1, 2, 5), note)


def tabulate_attempts(analysis: SessionAnalysis) -> Table | None:
    """The attempts behind the maximum; None when none were made."""
    if not analysis.attempts:
        return None
    rows = []
    for row in analysis.attempts:
        a = row.attempt
        digits = find_digits(a.value or 0.0)
        value, peak = (EMPTY if v is None else f"{number(v, digits)} {name_unit(a.unit)}" for v in (a.value, a.peak))
        verdict = "counts" if a.accepted else f"set aside: {a.reason}"
        rows.append((str(row.number), value, peak, f"{a.duration_s:.1f} s", "; ".join((verdict, *row.marks))))
    head = ("attempt", "best 0.5 s mean", "highest instant", "held", "verdict")
    return Table("Attempts", head, tuple(rows), (0, 4), describe_maximum(analysis))


def list_settings(analysis: SessionAnalysis) -> tuple[tuple[str, str], ...]:
    """Everything needed to know how this recording was made."""
    s, trace = analysis.settings, analysis.trace
    channels = "; ".join(
        f"{c.name} ({c.kind}{', envelope' if c.envelope else ''}, {name_unit(c.unit)}, {c.factor:g} per count, "
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
        ("Joint", "; ".join(filter(None, (s.get("joint"), explain_stand_in(str(s.get("joint") or "general")))))),
        ("Started (UTC)", s.get("started_utc")),
        ("Source", s.get("source")),
        ("Simulated", "yes" if s.get("simulated") else "no"),
        ("Channels", channels),
        ("Sample rate", f"{trace.rate_hz:g} Hz; effort every {1000 / trace.level_rate_hz:.3g} ms"),
        ("Even spacing", trace.resampling),
        ("Zero set again, moved by", describe_zeros(trace)),
        ("Recorded", f"{format_clock(trace.duration_s)} min, {missing_s:.1f} s of it missing"),
        ("Position limits of this exercise", _describe_drift(s)),
        ("Agreed discomfort limit", s.get("limit")),
        *list_care(trace.account, s, has_attempts=bool(analysis.attempts)),
        ("Effort", f"as the athlete said it: {EFFORT_ENDS}" if analysis.by_feel else ""),
        ("Baseline", _describe_baselines(analysis)),
        ("Muscle activity wanders by itself", _describe_wandering(analysis)),
        ("Software", f"biofeedback {s.get('software', '')}, file format {s.get('format', '')}"),
    ]
    return tuple((name, str(value)) for name, value in facts if value not in (None, ""))


def _describe_drift(settings: Mapping[str, Any]) -> str:
    """The limits that were set for the exercise, "" where the usual ones hold."""
    own, lever_m = read_own_limits(settings)
    return f"{own.to_text()}, read {lever_m or USUAL_LEVER_M:.2f} m from the joint" if own else ""


def _describe_baselines(analysis: SessionAnalysis) -> str:
    trace = analysis.trace
    named = zip(trace.channels, trace.baseline_methods, strict=True)
    return "" if analysis.by_feel else "; ".join(f"{c.name}: {m}" for c, m in named if c.kind in BOARD_KINDS)


def _describe_wandering(analysis: SessionAnalysis) -> str:
    """How restless the level of raw EMG is while the muscle works evenly, from what its maximum's attempt measured."""
    held = {m.channel: m.whitener for _, m in analysis.trace.maxima if m.whitener and m.whitener.bandwidth_after_hz > 0}
    return "; ".join(
        f"{channel}: about {find_wandering_percent(after_hz):.0f} % of its value in an even contraction, "
        f"{find_wandering_percent(before_hz):.0f} % without the filter learnt at its maximum"
        for channel, w in held.items()
        if w is not None
        for before_hz, after_hz in (
            (w.plain_independent_hz, w.independent_hz)
            if w.plain_independent_hz and w.independent_hz
            else (w.bandwidth_before_hz, w.bandwidth_after_hz),  # recordings from before: from the spectrum alone
        )
    )


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
