"""What a report says, as plain text: page, PDF and command line use the same sentences."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from itertools import pairwise

from biofeedback.account.kinds import Aftermath
from biofeedback.account.records import FOREVER
from biofeedback.account.words import EXPECTATIONS, STOP_REASONS, describe_aftermath, is_sore, list_hurts
from biofeedback.analysis.answer import PhaseRow, SessionAnalysis
from biofeedback.analysis.dose import Dose, make_band
from biofeedback.analysis.held import name_band
from biofeedback.analysis.holds import suggest_next_set
from biofeedback.analysis.ranges import describe_range, judge_ranges
from biofeedback.analysis.ratings import SCALE_HIGH
from biofeedback.analysis.response import Response
from biofeedback.analysis.response_words import describe_drift, describe_response, describe_return
from biofeedback.analysis.sliding import describe_paces
from biofeedback.analysis.trace import Trace
from biofeedback.analysis.words import AT_END_PERCENT, MAY_COME_LATE, describe_points
from biofeedback.calibration.scale import explain_beyond
from biofeedback.calibration.units import per_body_mass
from biofeedback.cautions import SORE_CAUTION
from biofeedback.model import Band, name_unit
from biofeedback.report.figuring import capitalise, count, find_digits, format_clock, number, signed

EXPECTATION = (
    "Whoever knows what is tried may feel what is expected; no rule here can tell that from an effect. "
    "An order drawn by lot, kept from the athlete until each phase begins, is the best there is against it."
)
CAREFUL_PERCENT = 80.0  # where the hard band begins; common practice
CAREFUL = "So hard an effort near the end of the range is for coach and athlete to decide: breathe."
NO_MAXIMUM = "Find the maximum first, then repeat the check: without it effort is unknown, and no band can be aimed at."
MILDER = (
    "Many ratings stand at 10, the end of the scale: go less far into the stretch next time, so that easing and "
    "worsening can both be seen."
)
MILDER_THOUGH_CLEAR = (
    "Many ratings stand at 10, the end of the scale: go less far into the stretch next time; how large the change is "
    "cannot be seen there."
)
REPEAT = "Run the response check: five cycles, a closing relaxed phase, and a rating in every phase."
LATE = (
    "Not decided: what contraction does may come only after it. Repeat the check with two relaxed phases before the "
    "first contraction, which would tell a late change from a drift."
)
HARDER_START = (
    "Not decided: there was too little discomfort for an easing to show. Next time settle at 4 to 6 of 10, if the "
    "coach agrees, and repeat the check."
)
SENSOR_ADDS = (
    "What a sensor would add: effort as a number instead of a feeling, a band to stay in, contractions harder than "
    "3 of 10, how little effort is enough, and whether relaxing was relaxed."
)
NO_PHASES = (
    "The ratings were given outside any phase, so nothing says what was done before them: run the response check, "
    "which asks for a rating in each phase."
)
SHORT = {
    NO_MAXIMUM: "find the maximum first",
    NO_PHASES: "run the response check",
    MILDER: "less far into the stretch next time",
    LATE: "not decided: repeat, with two relaxed phases first",
    HARDER_START: "not decided: too little discomfort to ease",
}
MIXED_PERCENT = 15.0  # contractions further apart than this are not one effort
FURTHER = (
    "A warm muscle reaches further the same evening, whatever was done; and further is not easier: each is an outcome "
    "of its own."
)
HURT_AT_END = "What stays or comes back is for a licensed professional to look at, before the next session."
TITLE = "Contraction and discomfort"
CAPTIONS = {
    "ratings": "discomfort in each phase, in order; circles R: relaxed, diamonds C: contracting, hollow: doubtful.",
    "contrasts": "each contraction against the relaxed phases around it, and the mean with its 95 % interval.",
    "trace": "Effort over the session. Thick bar above: contracting; thin: relaxed. Dashed lines: the edges of the "
    "band. Dotted: the position's own tension, taken out of the effort; shade around the effort: its ± 2 SD where that "
    "matters. Below: discomfort ratings, circles relaxed, diamonds contracting.",
    "said": "Effort as the athlete said it: a bar for each contraction, a line where it was asked for. "
    "Below: discomfort ratings, circles relaxed, diamonds contracting.",
    "dose": "Line: expected change; shaded: its 95 % interval; dashed: the easing that would matter; "
    "diamonds: each contraction.",
}
NOTHING_HELD = "No contraction to compare"
ANSWER_SIGNS = {
    "less": "↓",
    "more": "↑",
    "no clear difference": "≈",
    MAY_COME_LATE: "?",
    "too few ratings to say": "?",
}
ANSWER_TITLES = {
    "less": "Less discomfort while contracting",
    "more": "More discomfort while contracting",
    "no clear difference": "No clear difference",
    MAY_COME_LATE: "Not decided: a change may come late",
    "too few ratings to say": "Too few ratings to say",
}


def describe_setting(analysis: SessionAnalysis) -> str:
    """Who, what and when, in one line."""
    settings = analysis.settings
    when = format_start(str(settings.get("started_utc", "")))
    parts = [settings.get("athlete"), settings.get("exercise"), settings.get("side"), settings.get("position")]
    parts.append(when)
    return " · ".join(str(part) for part in parts if part)


def format_start(started_utc: str) -> str:
    """Date and time where the report is made, with its distance from UTC; as stored where it cannot be read."""
    try:
        moment = datetime.fromisoformat(started_utc)
    except ValueError:
        return started_utc[:16].replace("T", " ")
    local = (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).astimezone()
    away = local.strftime("%z")
    return f"{local:%Y-%m-%d %H:%M} UTC" + ("" if away == "+0000" else f"{away[:3]}:{away[3:]}")


def title_answer(analysis: SessionAnalysis) -> str:
    """The answer in a few words."""
    response, dose = analysis.response, analysis.dose
    if depends_on_effort(analysis) and dose.band is not None:
        return f"Less discomfort at {name_band(dose.band)}"
    return ANSWER_TITLES[response.word] if response.contrasts else NOTHING_HELD


def sign_answer(analysis: SessionAnalysis) -> str:
    """The answer as a sign."""
    return ANSWER_SIGNS["less" if depends_on_effort(analysis) else analysis.response.word]


def depends_on_effort(analysis: SessionAnalysis) -> bool:
    """Whether a band was enough although the mean over all efforts does not say less."""
    return analysis.dose.advice == "enough" and analysis.response.word in ("more", "no clear difference")


def describe_answer(analysis: SessionAnalysis) -> tuple[str, ...]:
    """What contraction did in the session; band by band where the mean over all efforts would hide it."""
    if not depends_on_effort(analysis):
        return describe_response(analysis.response)
    held = [f"{describe_points(one.rated)} at {one.name}" for one in analysis.dose.held]
    mean = describe_points(analysis.response.mean_change or 0.0)
    return (
        f"It depended on the effort: discomfort while contracting was {', '.join(held)}.",
        f"The mean over all contractions, {mean}, hides that.",
    )


def describe_notes(analysis: SessionAnalysis) -> tuple[str, ...]:
    """Remarks of people, with the time in the session."""
    return tuple(
        f"{format_clock(frame / analysis.trace.rate_hz)}: {note.text}"
        for frame, note in analysis.trace.account.notes
        if note.by and note.by != "rule"
    )


def describe_done(analysis: SessionAnalysis) -> tuple[str, ...]:
    """What was done: plan, effort, ratings, what ended it."""
    sentences = []
    rows = analysis.phases
    titles = [plan.title or "a plan" for plan in analysis.plans]
    title = ", then ".join(titles) or "A session without a plan"
    if rows:
        length = format_clock(rows[-1].phase.end_s - rows[0].phase.start_s)
        n_contract = sum(row.phase.meaning.contracts for row in rows)
        sentences.append(f"{title}: {count(len(rows), 'phase')} over {length} min, {n_contract} of them contracting.")
    else:
        sentences.append(f"{title}: {format_clock(analysis.trace.duration_s)} min were recorded.")
    if expects := EXPECTATIONS.get(analysis.trace.account.expects, ""):
        sentences.append(f"Expected beforehand: {expects}.")
    sentences += _describe_effort(rows)
    sentences += _describe_choices(rows)
    sentences += _describe_ratings(analysis)
    sentences += [describe_range(result) for result in judge_ranges(analysis.trace.account.ranges)]
    for stop in analysis.trace.stops:
        at = format_clock(stop.frame / analysis.trace.rate_hz)
        why = f", said to be {STOP_REASONS[stop.why].say}" if stop.why in STOP_REASONS else ""
        what = "Paused" if stop.is_pause else "Stopped"
        sentences.append(f"{what} at {at}: {stop.reason or 'no reason given'}{why}.")
    if n_warnings := len(analysis.warnings):
        sentences.append(f"{count(n_warnings, 'warning')} about these numbers: read “Warnings” further on.")
    return tuple(sentences)


def describe_effect(analysis: SessionAnalysis) -> tuple[str, ...]:
    """What contraction did, how the ratings moved by themselves, and what qualifies the answer."""
    response = analysis.response
    sentences = list(describe_answer(analysis))
    if moved := describe_drift(response):
        sentences.append(moved)
    efforts = [row.summary.mean_percent for row in analysis.phases if row.phase.meaning.contracts]
    known = [effort for effort in efforts if effort is not None]
    if (
        not depends_on_effort(analysis)
        and response.mean_change is not None
        and known
        and max(known) - min(known) > MIXED_PERCENT
    ):
        sentences.append(f"This is the mean over efforts from {min(known):.0f} to {max(known):.0f} %.")
    sentences += describe_paces(analysis.paces)
    if returned := describe_return(response):
        sentences.append(returned)
    if any(result.change for result in judge_ranges(analysis.trace.account.ranges)):
        sentences.append(FURTHER)
    if response.word in ("less", "more") or depends_on_effort(analysis):
        sentences.append(EXPECTATION)
    return tuple(sentences)


def describe_next(analysis: SessionAnalysis, *, advises: bool = True) -> tuple[str, ...]:
    """What to do next, by rule; the coach decides. ``advises``: also what the ratings say about contracting."""
    steps = []
    if analysis.settings.get("simulated"):
        steps.append("This recording is simulated: read it as an example, do not train by it.")
    if analysis.settings.get("fast"):
        steps.append("It was shortened for trying out: repeat it at full length before training by it.")
    steps += _advise_after_stops(analysis)
    steps += _advise_after_aftermath(analysis.trace.account.aftermath)
    steps += describe_doubts(analysis)
    steps += _advise(analysis) if advises else []
    if analysis.by_feel:
        steps.append(SENSOR_ADDS)
    return tuple(steps)


def _advise_after_stops(analysis: SessionAnalysis) -> list[str]:
    """What a stop asks for: the caution of its reason, or that the reason be found."""
    stops = [stop for stop in analysis.trace.stops if not stop.is_pause]
    steps = [STOP_REASONS[why].caution for why in dict.fromkeys(stop.why for stop in stops) if why in STOP_REASONS]
    if any(stop.why not in STOP_REASONS for stop in stops):
        steps.append("The session was stopped: find out why before the next one.")
    return [step for step in steps if step]


def _advise_after_aftermath(told: Sequence[Aftermath]) -> list[str]:
    """What the last answers about the end and about the time since last session ask for."""
    last = {one.when: one for one in told}
    steps = []
    if "end" in last and (hurts := list_hurts(last["end"])):
        steps.append(f"At the end there was {' and '.join(hurts)}. {HURT_AT_END}")
    if "next" in last and is_sore(last["next"]):
        steps.append(f"Since the last time: {describe_aftermath(last['next'])}. {SORE_CAUTION}")
    return steps


def advise_effort(dose: Dose, word: str) -> list[str]:
    """One advice, said once, with its reason; then the one next thing to try. ``word``: the answer."""
    if word == MAY_COME_LATE:
        return [LATE]
    tried_next = _describe_next_band(dose)
    if dose.advice == "enough" and dose.band is not None:
        steps = [f"Train at {name_band(dose.band)}, as it was held: {dose.reason}.", *tried_next]
        is_hard = dose.band.high_percent > CAREFUL_PERCENT
        return [*steps, CAREFUL] if is_hard else steps
    if dose.advice == "neither" and word == "less":
        return [f"Contraction eases this stretch a little, but {dose.reason}: judge yourself whether that is worth it."]
    if dose.advice == "neither":
        return [f"Leave contraction out of this stretch: {dose.reason}.{_describe_untried(dose)}"]
    if dose.is_worse:
        names = " or ".join(held.name for held in dose.held)
        return [f"Do not contract at {names} in this stretch: {dose.reason}.", *tried_next]
    return [f"Not decided: {dose.reason}.", *tried_next]


def _describe_next_band(dose: Dose) -> list[str]:
    band = _pick_next_band(dose)
    if band is None:
        return []
    careful = [CAREFUL] if band.high_percent > CAREFUL_PERCENT else []
    return [f"Next time, try {name_band(band)} in the same kind of check: {dose.next_reason}.", *careful]


def _pick_next_band(dose: Dose) -> Band | None:
    """The band of the effort to try next: the one that was held there, or one around it."""
    if dose.next_percent is None:
        return None
    return next((h.band for h in dose.held if h.effort_percent == dose.next_percent), make_band(dose.next_percent))


def _describe_untried(dose: Dose) -> str:
    highest = max((held.band.high_percent for held in dose.held), default=100.0)
    return "" if highest >= CAREFUL_PERCENT else f" More than {highest:g} % was not tried."


def summarise_advice(analysis: SessionAnalysis) -> list[tuple[str, str]]:
    """The advice in a few words, for the page: which band, how long, whose model; the report has the reasons."""
    dose, response = analysis.dose, analysis.response
    if analysis.by_feel:
        said = {"less": "as lightly as tonight", "more": "no contraction"}.get(response.word)
        return [("advice", said)] if said else []
    if hindered := _find_hindrance(analysis):
        return [] if hindered == [REPEAT] else [("advice", SHORT[hindered[0]])]
    tried = [] if (band := _pick_next_band(dose)) is None else [("to try next", name_band(band))]
    if dose.advice == "neither":
        return [("advice", "eases a little: judge yourself" if response.word == "less" else "no contraction")]
    if dose.advice != "enough" or dose.band is None or dose.least_percent is None:
        return [("advice", "not at what was held" if dose.is_worse else "not decided"), *tried]
    rows = [("advice", f"{name_band(dose.band)}, as it was held"), *tried]
    suggested = suggest_next_set(dose.least_percent, _read_joint(analysis), analysis.holds)
    if suggested.hold_s is not None and suggested.rest_s is not None:
        model = f"three-compartment model, {suggested.joint}"
        rows.append(("next set", f"hold {suggested.hold_s:.0f} s, rest {suggested.rest_s:.0f} s ({model})"))
    return rows


def find_next_band(analysis: SessionAnalysis) -> Band | None:
    """The band of the effort worth trying next; None where nothing is, or something has to be put right before."""
    dose = analysis.dose
    if analysis.by_feel or _find_hindrance(analysis) or dose.advice == "neither":
        return None
    return _pick_next_band(dose)


def explain_set(analysis: SessionAnalysis) -> str:
    """Where the suggested hold and rest come from; empty when none are suggested."""
    if analysis.dose.least_percent is None:
        return ""
    return suggest_next_set(analysis.dose.least_percent, _read_joint(analysis), analysis.holds).reason


def describe_doubts(analysis: SessionAnalysis) -> list[str]:
    """What was seen against a maximum, what to do, and what past effort would become."""
    sentences = []
    for doubt in analysis.doubts:
        maximum = analysis.trace.maximum_at(FOREVER - 1, doubt.channel)
        becomes = f"; 25 % would become {doubt.percent_would_be(25.0, maximum):.0f} %" if maximum else ""
        at = format_clock(doubt.at_s)
        sentences.append(f"At {at} {doubt.channel} showed {doubt.seen}: {doubt.advice}{becomes}.")
    return sentences


def describe_zeros(trace: Trace) -> str:
    """How far the zero of each force channel had moved whenever it was set again; "" when it was set once."""
    told = []
    for channel in trace.channels:
        zeros = [(frame, level) for frame, name, level in trace.zeros if name == channel.name]
        for (before, old), (after, new) in pairwise(zeros if channel.kind == "force" else []):
            clocks = f"from {format_clock(before / trace.rate_hz)} to {format_clock(after / trace.rate_hz)}"
            told.append(f"{channel.name} {signed(new - old, 2)} {name_unit(channel.unit)} {clocks}")
    return "; ".join(told)


def describe_maximum(analysis: SessionAnalysis) -> str:
    """What 100 % is, and why."""
    m = analysis.maximum
    if analysis.by_feel:
        return "No sensor: no maximum, and no percentage of one."
    if m is None:
        return capitalise(analysis.maximum_reason) + "."
    where = f", in the position “{m.position}”" if m.position else ""
    shown = f" The display was {'on' if m.feedback_shown else 'off'}." if m.method != "typed" else ""
    mass_kg = analysis.settings.get("body_mass_kg")
    normalised = f" ({per_body_mass(m.strength, mass_kg):.2f} {name_unit(m.unit)}/kg)" if mass_kg else ""
    height = f"{number(m.strength, find_digits(m.strength))} {name_unit(m.unit)}{normalised}"
    beyond = explain_beyond(m, (analysis.settings.get("certificates") or {}).get(m.channel) or {})
    said = f" {beyond}." if beyond else ""
    return f"Maximum {height} above rest{where}: {analysis.maximum_reason}.{shown}{said}"


def _describe_effort(rows: Sequence[PhaseRow]) -> list[str]:
    contracting = [row for row in rows if row.phase.meaning.contracts]
    known = [row.summary for row in contracting if row.summary.mean_percent is not None]
    if not contracting:
        return []
    if any(row.phase.felt is not None for row in contracting) and not known:
        return describe_said(rows)
    if not known:
        return ["Effort during the contractions is unknown."]
    counted_s = sum(s.counted_s for s in known)
    mean = sum((s.mean_percent or 0.0) * s.counted_s for s in known) / counted_s
    bands = sorted({(row.phase.band.low_percent, row.phase.band.high_percent) for row in contracting if row.phase.band})
    names = [f"{low:g}–{high:g}" for low, high in bands]
    asked = " and ".join(([", ".join(names[:-1])] if names[1:] else []) + names[-1:]) + " %"
    aimed = [(s.time_in_band_s, s.counted_s) for s in known if s.time_in_band_s is not None]
    inside = 100 * sum(in_band for in_band, _ in aimed) / max(sum(counted for _, counted in aimed), 1e-9)
    verb = "band was" if len(bands) == 1 else "bands were"
    aim = f" The {verb} {asked}; {inside:.0f} % of the counted time was inside." if bands else ""
    return [f"Effort while contracting averaged {mean:.0f} % of maximum.{aim}"]


def describe_said(rows: Sequence[PhaseRow]) -> list[str]:
    """Effort as the athlete said it, beside what was asked for; no number of a sensor."""
    contracting = [row.phase for row in rows if row.phase.meaning.contracts]
    said = [phase.said_effort for phase in contracting if phase.said_effort is not None]
    asked = sorted({phase.felt for phase in contracting if phase.felt is not None})
    aim = f"; {' and '.join(f'{felt:g}' for felt in asked)} of 10 was asked for" if asked else ""
    if not said:
        return [f"No sensor measured effort, and nobody said how hard the contractions were{aim}."]
    mean = sum(said) / len(said)
    spread = f", from {min(said):g} to {max(said):g}" if max(said) > min(said) else ""
    n = f"{len(said)} of {len(contracting)} contractions" if len(said) < len(contracting) else "all contractions"
    return [f"Effort as the athlete said it: {mean:.1f} of 10 on average{spread}, of {n}{aim}. No sensor measured it."]


def _describe_choices(rows: Sequence[PhaseRow]) -> list[str]:
    """That the plan adapted, which rules a p-value out."""
    chosen = [row.choice for row in rows if row.choice]
    if not chosen:
        return []
    n_by_hand = sum(choice.by != "rule" for choice in chosen)
    by_hand = f", {n_by_hand} of them by hand" if n_by_hand else ""
    bands = f"{count(len(chosen), 'band')} of {sum(row.phase.kind == 'contract' for row in rows)}"
    return [f"The plan adapted: {bands} {'was' if len(chosen) == 1 else 'were'} chosen on the way{by_hand}."]


def _describe_ratings(analysis: SessionAnalysis) -> list[str]:
    ratings = analysis.trace.ratings
    if not ratings:
        return ["No discomfort ratings were given."]
    extras = []
    if n_silent := sum(r.value is None for r in ratings):
        extras.append(f"{n_silent} without an answer")
    if n_corrected := sum(bool(r.originals) for r in ratings):
        extras.append(f"{n_corrected} corrected later")
    if n_marked := len(analysis.marked):
        extras.append(f"{n_marked} marked as doubtful")
    return [f"{capitalise(count(len(ratings), 'discomfort rating'))}{': ' if extras else ''}{', '.join(extras)}."]


def _advise(analysis: SessionAnalysis) -> list[str]:
    response, dose = analysis.response, analysis.dose
    if hindered := _find_hindrance(analysis):
        return hindered
    is_clear = response.word in ("less", "more")
    steps = [MILDER_THOUGH_CLEAR if is_clear else MILDER] if _is_at_ten(analysis) else []
    if analysis.by_feel:
        return [*steps, *_advise_by_feel(response)]
    steps += advise_effort(dose, response.word)
    if dose.least_percent is not None:
        suggested = suggest_next_set(dose.least_percent, _read_joint(analysis), analysis.holds)
        if suggested.hold_s is not None and suggested.rest_s is not None and suggested.stop_s is not None:
            steps.append(
                f"Hold for about {suggested.hold_s:.0f} s, rest {suggested.rest_s:.0f} s, and end a hold after "
                f"{suggested.stop_s:.0f} s in any case."
            )
    elif dose.advice == "not decided" and dose.next_percent is None and response.n_more_cycles:
        steps.append(f"Repeat the check with {count(response.n_more_cycles, 'more cycle')}.")
    return steps


def _advise_by_feel(response: Response) -> list[str]:
    if response.word == "less":
        return ["Contract as lightly as tonight in this stretch: it eased. Say afterwards how hard it was, as tonight."]
    if response.word == "more":
        return ["Leave contraction out of this stretch: it made it worse."]
    n = response.n_more_cycles
    return [f"Repeat the check with {count(n, 'more cycle')}."] if n else []


def _find_hindrance(analysis: SessionAnalysis) -> list[str]:
    """What has to be put right before any effort can be advised; empty when nothing has."""
    response = analysis.response
    is_unmeasured = analysis.maximum is None and not analysis.by_feel
    given = any(rating.value is not None for rating in analysis.ratings)
    hindrances = (
        (is_unmeasured and any(row.phase.meaning.contracts for row in analysis.phases), NO_MAXIMUM),
        (given and not analysis.phases, NO_PHASES),
        (response.word == "too few ratings to say", REPEAT),
        (response.word == "no clear difference" and _is_at_ten(analysis), MILDER),
        (response.word == MAY_COME_LATE, LATE),
        (analysis.dose.relaxed_too_low and response.word != "more", HARDER_START),
    )
    return next(([text] for found, text in hindrances if found), [])


def _is_at_ten(analysis: SessionAnalysis) -> bool:
    """Whether so many ratings stand at 10 that neither easing nor worsening need show."""
    values = [rating.value for rating in analysis.ratings if rating.value is not None]
    return bool(values) and 100 * values.count(SCALE_HIGH) / len(values) >= AT_END_PERCENT


def _read_joint(analysis: SessionAnalysis) -> str:
    return str(analysis.settings.get("joint") or "")
