"""What may differ from the numbers that were given when the recordings were made, each with its reason.

Everything else must be the same. A row that allows nothing any more fails its test, so the table stays as short as it
can be. Keys look like ``report.tables.Attempts.rows[2].verdict``; `numbers.py` makes them.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fnmatch import fnmatch
from typing import Any, Literal

RELATIVE = 1e-9  # other versions of numpy and scipy add in another order
ABSOLUTE = 1e-9
ABSENT = "(absent)"
How = Literal["changed", "added", "gone", "any"]


@dataclass(frozen=True, slots=True)
class Allowed:
    """Keys that match ``key`` (a regular expression, whole) in recordings like ``recording`` may differ.

    Numbers by no more than ``within``; to no other value than one of ``to``.
    """

    key: str
    why: str
    how: How = "changed"
    recording: str = "*"  # as file names are matched
    within: float | None = None
    to: tuple[object, ...] = ()

    def fits(self, recording: str, difference: Difference) -> bool:
        return (
            self.how in ("any", difference.how)
            and fnmatch(recording, self.recording)
            and re.fullmatch(self.key, difference.key) is not None
            and (not self.to or difference.now in self.to)
            and (self.within is None or difference.is_within(self.within))
        )


@dataclass(frozen=True, slots=True)
class Difference:
    """One key with what was said and what is said."""

    key: str
    then: Any
    now: Any

    @property
    def how(self) -> How:
        return "added" if self.then == ABSENT else "gone" if self.now == ABSENT else "changed"

    def is_within(self, reach: float) -> bool:
        """Both are numbers, no further apart than this."""
        return is_number(self.then) and is_number(self.now) and bool(abs(self.then - self.now) <= reach)

    def __str__(self) -> str:
        return f"{self.key}: {self.then!r} -> {self.now!r}"


@dataclass(frozen=True, slots=True)
class Rules:
    """``moved``: regular expression of old keys to their new ones. ``words``: old text to new, in texts and keys.

    ``made_today``: what differs only where the recording itself is made today.
    """

    allowed: Sequence[Allowed] = ()
    made_today: Sequence[Allowed] = ()
    moved: Mapping[str, str] = field(default_factory=dict)
    words: Mapping[str, str] = field(default_factory=dict)


BENT = "the bend of a drift is a matter of points, which weighs three and four ratings otherwise; its interval holds 0"
ESTIMATED = "the change is estimated from every rating that is there, its drift taken out, not from complete contrasts"
RULES = Rules(
    allowed=(
        Allowed(
            r"report\.settings\.(Protocol of the maximum|Rating scale)",
            "recordings from before name their protocol, and that their scale had no words at its ends",
            "added",
        ),
        Allowed(r"report\.settings\.Channels", "a unit is printed as people read it, µV"),
        Allowed(r"list\.evening", "the library also keeps what the next evening needs to know", "added"),
        Allowed(
            r"cohort\.before",
            "what was done before and may ease discomfort by itself, so that a table never pools it unseen",
            "added",
            to=(None, "warm-up; warmth"),
        ),
        Allowed(r"analysis\..*", "a result may have further fields; one more in a list shows in its n", "added"),
        Allowed(
            r"analysis\.trace\.channels\[\d\]\.(rate_hz|clock)", "a channel may have its own rate and clock", "added"
        ),
        Allowed(
            r"(analysis\.maximum_reason|report\.maximum)",
            "said in plainer words: 2 good attempts of 3",
            recording="two-channels.hold",
        ),
        Allowed(
            r"report\.(next\[3\]|tables\.How the contractions lasted\.note)",
            "the three-compartment model leads for holds as well as for rests; the power law is shown as doubt",
            recording="late-and-corrected.hold",
        ),
        Allowed(
            r"analysis\.trace\.plus_minus_percent\..*",
            "the interval of passive tension holds what is slower than any reading so far could tell",
        ),
        Allowed(r"frame\.(columns\.)?discomfort(_by_phase)?\..*", "ratings stand in the phase that asked", "any"),
        Allowed(
            r"(notebook|numpy|csv|bids|review|frame|views)\..*", "more columns: whose rating, which phase", "added"
        ),
        Allowed(
            r"analysis\.(phases\[\d+\]\.choice|plans\[\d+\]\.phases|trace\.(judgements|stops)).*", "typed now", "gone"
        ),
        Allowed(
            r"bids\.events_json\.discomfort_nrs\.Description", "the worst bearable, not imaginable; said in one place"
        ),
        Allowed(r"(csv|bids)\.events.*\.(kind|trial_type|discomfort_nrs)", "a correction is no second rating"),
        Allowed(r"(numpy\.rating.*|list\.n_ratings)", "a correction is no second rating", "any"),
        Allowed(r".*\.text", "phases are counted over the whole recording, in every table alike"),
        Allowed(r"(analysis|cohort|report)\.maximum.*", "no maximum of a sensor that is gone", "any", "renewed-last*"),
        Allowed(r"report\.next\[\d+\]", "no maximum of a sensor that is gone", "any", "renewed-last*"),
        Allowed(
            r"(analysis|report)\.(tables\.Attempts|attempts).*", "attempts with a sensor that is gone say so", "any"
        ),
        Allowed(r".*(excursions|longest.stay.*)", "counted by the plan's own hysteresis and dwell, as shown live"),
        Allowed(r"(cohort\.change_mean|analysis\.response\.mean_change)", ESTIMATED, within=0.2),
        Allowed(r"(cohort|analysis\.response)\.change_percent", ESTIMATED, within=2.5),
        Allowed(r"analysis\.response\.mean_passive", ESTIMATED, within=0.5),
        Allowed(
            r"(cohort\.change_mean_without_marked|analysis\.response\.without_marked\.mean_(change|passive))",
            ESTIMATED,
            within=0.7,
        ),
        Allowed(r"analysis\.response\.without_marked\.change_percent", ESTIMATED, within=10.0),
        Allowed(
            r"(cohort\.change_|analysis\.response\.(without_marked\.)?)(low|high|error|rating_sd)",
            "scatter is learnt from all ratings, small samples allowed for",
        ),
        Allowed(
            r"analysis\.response\.(without_marked\.)?(change_percent|mean_passive)",
            "what contractions without an answer would have been rated is not told",
            recording="*",
            to=(None,),
        ),
        Allowed(r"cohort\.change_percent", "no percentage where nothing was compared", to=(None, "")),
        Allowed(r"cohort\.change_error", "who compares athletes needs the error", "added"),
        Allowed(
            r"(analysis\.response\.(without_marked\.)?(reason|n_more_reason|n_more_cycles)"
            r"|report\.tables\.Each contraction against its neighbours\.note)",
            "the reasons name the new interval, and ratings in place of complete cycles",
        ),
        Allowed(r"analysis\.response\.(without_marked\.)?reaches_yardstick", "the interval decides that", "gone"),
        Allowed(
            r"(analysis\.response\.(word|n_contrasts)|cohort\.(answer|n_contrasts))",
            "a contraction counts although a neighbour has no rating, which makes the answer clear",
            recording="stopped.hold",
        ),
        Allowed(
            r"(analysis\.response\.(word|n_contrasts)|cohort\.(answer|n_contrasts))",
            "a contraction counts although a neighbour has no rating, which makes the answer clear",
            recording="typed-and-revised.hold",
        ),
        Allowed(
            r"(analysis\.response\.(contrasts\[1\]\.(after|change|reason)|notes.*)|analysis\.dose\.n_points"
            r"|report\.tables\.Each contraction against its neighbours\.rows\[1\]\..*)",
            "the next relaxed rating that is there stands in for the missing one",
            "any",
            "stopped.hold",
        ),
        Allowed(
            r"analysis\.response\.(without_marked\.)?notes\[\d\]",
            "a contraction without neighbours has none to be seen against, but counts",
        ),
        Allowed(
            r"analysis\.response\.without_marked\.contrasts\[0\]\.marks(\.n|\[0\])",
            "a rating that is left out marks no contrast",
            "any",
            "position.hold",
        ),
        Allowed(
            r"report\.effect(\.n|\[\d\])",
            "sentences of the new estimate; what qualifies it has sentences of its own",
        ),
        Allowed(r"report\.effect\[\d\]", "expectation is told once, where there is an effect", "added"),
        Allowed(
            r"(analysis\.response\.word|cohort\.answer)",
            BENT,
            recording="late-and-corrected.hold",
            to=("no clear difference",),
        ),
        Allowed(r"report\.effect\[3\]", BENT, "gone", recording="late-and-corrected.hold"),
        Allowed(r"(analysis\.response|cohort)\.(change_mean|mean_change)", BENT, recording="position.hold", within=0.3),
        Allowed(
            r"(analysis\.response\.(without_marked\.)?|cohort\.)change_percent",
            BENT,
            recording="position.hold",
            within=12.0,
        ),
        Allowed(r"(cohort|analysis\.dose)\.advice", "where nothing is decided", to=("not decided", "enough")),
        Allowed(
            r"(analysis\.dose\.(reason|next_percent|next_reason)|report\.next(\.n|\[\d\]))",
            "only bands that were held are advised, by what was rated there, and said once",
        ),
        Allowed(r"report\.next\[\d\]", "a next thing to try, or none", "added"),
        Allowed(r"report\.next\[\d\]", "a next thing to try, or none", "gone"),
        Allowed(
            r"analysis\.dose\.least(_chance)?_percent",
            "the effort held in the band, in place of a curve's crossing",
            recording="adaptive.hold",
        ),
        Allowed(
            r"analysis\.dose\.curve(\.n|\[\d+\]\.(change|low|high|chance_percent))", "a curve in place of four shapes"
        ),
        Allowed(r"analysis\.dose\.curve\[\d+\]\.\w+", "nothing is said of efforts that were not tried", "gone"),
        Allowed(
            r"analysis\.dose\.(doubt|least_reason|\w+_percent|saturation\.\w+)",
            "a curve in place of four shapes",
            "gone",
        ),
        Allowed(r"report\.tables\.How much effort\..*", "one row for each band that was held", "any"),
        Allowed(
            r"analysis\.dose\.saturation\.(effect_max|half_x)(_error)?",
            "filters are worked out in another order of sections: levels differ by 1e-12, and the fit ends within 1e-6",
            recording="adaptive.hold",
            within=1e-6,
        ),
        Allowed(
            r"report\.tables\.How the contractions lasted\.note",
            "of the band that is advised",
            recording="adaptive.hold",
        ),
        Allowed(
            r"report\.tables\.How the contractions lasted\.rows.*\.slope of effort.*",
            "a slope of less than ten seconds is the ramp and the tremor, so none is given",
        ),
    ),
    made_today=(
        Allowed(r".*", "a plan that adapts now tries other efforts", "any", "adaptive*"),
        Allowed(
            r"report\.(done\[0\]|tables\.Phase by phase\.rows\[2\]\..*)",
            "the last phase of a table of events ends when its duration is over, no longer with the recording",
            recording="imported.hold",
        ),
        Allowed(
            r"report\.maximum",
            "of a maximum that was typed for a table made elsewhere it is said by whom and why",
            recording="imported.hold",
        ),
        Allowed(
            r"report\.tables\.Phase by phase\.rows\[4\]\.length, s",
            "a phase made longer by the coach is planned longer from then on",
            recording="typed-and-revised.hold",
        ),
    ),
    moved={},
    words={},
)


def compare(then: Mapping[str, Any], now: Mapping[str, Any], rules: Rules) -> list[Difference]:
    """Every difference, allowed ones included; ``then`` is brought to today's keys and words first."""
    then = {translate(key, rules, is_key=True): translate(value, rules) for key, value in then.items()}
    keys = [*then, *(key for key in now if key not in then)]
    pairs = [Difference(key, then.get(key, ABSENT), now.get(key, ABSENT)) for key in keys]
    return [pair for pair in pairs if not is_same(pair.then, pair.now)]


def translate(value: Any, rules: Rules, *, is_key: bool = False) -> Any:
    if not isinstance(value, str):
        return value
    for old, new in rules.moved.items() if is_key else ():
        value = re.sub(old, new, value)
    for old, new in rules.words.items():
        value = value.replace(old, new)
    return value


def is_same(then: Any, now: Any) -> bool:
    """Whole numbers, texts and truths exactly, floats but for the last digits."""
    if isinstance(then, bool) or isinstance(now, bool) or not (is_number(then) and is_number(now)):
        return type(then) is type(now) and then == now
    return bool(abs(then - now) <= max(ABSOLUTE, RELATIVE * max(abs(then), abs(now))))


def is_number(value: Any) -> bool:
    return isinstance(value, int | float)
