"""The tables of the answer: each contraction against its neighbours, how much effort, bands chosen on the way."""

from __future__ import annotations

from biofeedback.analysis.answer import SessionAnalysis
from biofeedback.analysis.emax import EmaxFit
from biofeedback.analysis.response import Response
from biofeedback.report.figuring import EMPTY, capitalise, number, signed
from biofeedback.report.table import Table

DOSE_TITLE = "How much effort"
NOT_TRIED = "efforts between and beyond these bands were not tried"


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
        facts.append(
            f"mean change {signed(r.mean_change, 2)} (95 % interval {signed(r.low, 2)} to {signed(r.high, 2)})"
        )
    if r.nap is not None:
        facts.append(
            f"contracting was rated lower in {100 * r.nap:.0f} of 100 pairs with a relaxed rating, ties half "
            f"(NAP {r.nap:.2f}{_show_nap_interval(r)})"
        )
    if r.tau is not None:
        facts.append(f"the same with the relaxed ratings' own trend taken out (Tau) {signed(r.tau, 2)}, from −1 to 1")
    p_values = "" if r.test is None else f"p = {r.test.p_less:.3g} for less, {r.test.p_more:.3g} for more: "
    facts.append(p_values + r.test_reason)
    clean = r.without_marked
    if clean is not None and clean.mean_change is not None:
        facts.append(f"without the marked ratings {signed(clean.mean_change, 2)} ({clean.word}: {clean.reason})")
    notes = [capitalise(note) + "." for note in r.notes]
    return Table(
        "Each contraction against its neighbours", head, rows, (0, 5), " ".join(["; ".join(facts) + ".", *notes])
    )


def _show_nap_interval(response: Response) -> str:
    """Rough with so few ratings, and none at all where every pair says the same."""
    if response.nap is None or not response.nap_error:
        return ""
    low, high = (min(1.0, max(0.0, response.nap + k * 1.96 * response.nap_error)) for k in (-1, 1))
    return f", roughly {low:.2f} to {high:.2f}"


def tabulate_dose(analysis: SessionAnalysis) -> Table | None:
    """Expected change over effort; None without a single complete contraction."""
    dose = analysis.dose
    if not dose.n_points:
        return None
    rows = tuple(
        (
            held.name,
            f"{held.effort_percent:.0f} %",
            str(held.n),
            signed(held.rated),
            signed(held.level.change),
            f"{signed(held.level.low)} to {signed(held.level.high)}",
            f"{held.level.chance_percent:.0f} %",
        )
        for held in dose.held
    )
    test = analysis.dose_test
    drawn = (
        f"more effort, less discomfort: p = {test.p_less:.2g} over the orders that could have been drawn"
        if test
        else ""
    )
    parts = [dose.misfit, _describe_bend(dose.saturation), drawn, NOT_TRIED]
    note = ". ".join(capitalise(part) for part in parts if part) + "."
    head = ("band held", "effort", "times", "change rated", "expected there", "95 % interval",
            f"chance of {dose.wanted_points:.1f} points less")  # fmt: skip
    return Table(DOSE_TITLE, head, rows, (0,), note)


def _describe_bend(fit: EmaxFit | None) -> str:
    """The saturating curve itself, where that shape is the likeliest."""
    if fit is None or fit.effect_max is None or fit.half_x is None:
        return ""
    if fit.effect_max_error is None or fit.half_x_error is None or fit.half_x > 100:
        return ""
    most = f"{signed(fit.effect_max)} ± {fit.effect_max_error:.1f} points at most"
    return f"the curve by least squares: {most}, half of it at {fit.half_x:.0f} ± {fit.half_x_error:.0f} %"


def tabulate_choices(analysis: SessionAnalysis) -> Table | None:
    """How the bands of a plan that adapts came about; None for any other plan."""
    rows = []
    for row in analysis.phases:
        if row.choice and row.phase.band:
            band = f"{row.phase.band.low_percent:g}–{row.phase.band.high_percent:g} %"
            by = "the plan" if row.choice.by == "rule" else row.choice.by
            rows.append((str(row.phase.number), band, by, capitalise(row.choice.reason)))
    note = "Bands chosen from ratings are no drawn order: the dose above stays valid, a p-value does not exist."
    return (
        Table("Bands chosen on the way", ("phase", "band", "by", "why"), tuple(rows), (0, 2, 3), note) if rows else None
    )
