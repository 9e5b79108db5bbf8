"""What people read and hear, said once: phases, the scale, counting, usual bands. Page, voice, report, exports."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any, Literal, TypeAlias

from biofeedback.account.kinds import Aftermath
from biofeedback.model import Band, same_name

PhaseKind: TypeAlias = Literal["passive", "contract", "remote", "rest"]


@dataclass(frozen=True, slots=True)
class PhaseMeaning:
    """One kind of phase: ``say`` is the instruction, whole; ``short`` fits a table or a button.

    ``contracts``: the stretched muscle is to work, in a band or by feeling; ``relaxes``: it is to be let go;
    ``in_position``: the stretch is held; ``compares_as``: what its rating stands for in the check, None: for nothing.
    """

    say: str
    short: str
    contracts: bool = False
    relaxes: bool = False
    in_position: bool = True
    compares_as: Literal["contract", "passive"] | None = None


PHASES: Mapping[str, PhaseMeaning] = {
    "passive": PhaseMeaning("Relax, stay in the position", "relax", relaxes=True, compares_as="passive"),
    "contract": PhaseMeaning("Contract", "contract", contracts=True, compares_as="contract"),
    "remote": PhaseMeaning("Squeeze the hand, leave the stretch relaxed", "squeeze", relaxes=True),
    "rest": PhaseMeaning("Come out and rest", "rest", in_position=False),
}


@dataclass(frozen=True, slots=True)
class RatingScale:
    """The discomfort scale: numbers, steps, what is asked and what its ends mean."""

    low: float = 0.0
    high: float = 10.0
    step: float = 0.5
    question: str = "Discomfort now, 0 to 10?"
    low_label: str = "none"
    high_label: str = "the worst I would put up with here"
    asks_about: str = "rate the stretch, not the effort"
    aloud: str = "the stretch: 0 none, 10 the worst"  # is said whole in the 4 s before the next instruction

    @property
    def ends(self) -> str:
        """Both ends in one phrase."""
        return f"{self.low:g} {self.low_label}, {self.high:g} {self.high_label}"

    def holds(self, value: float) -> bool:
        """Whether ``value`` lies on the scale."""
        return self.low <= value <= self.high


SCALE = RatingScale()
EFFORT_QUESTION = "How hard did you contract, 0 to 10?"
EFFORT_ENDS = "0 nothing at all, 10 all I have"


@dataclass(frozen=True, slots=True)
class StopReason:
    """What made somebody press Stop: as it is offered, and the caution that goes with it.

    ``may_go_on``: whether another hold is offered in this session.
    """

    say: str
    caution: str = ""
    may_go_on: bool = True


STOP_REASONS: Mapping[str, StopReason] = {
    "enough": StopReason("just enough"),
    "too much": StopReason("too much", "Start lighter or nearer next time; more discomfort is no better training."),
    "sharp": StopReason(
        "sharp or odd sensation",
        "Do not go on today. Sharp, tearing, electric or spreading sensations, numbness or tingling that stay or come "
        "back are for a licensed professional to look at.",
        may_go_on=False,
    ),
    "cramp": StopReason("cramp", "Let it ease wholly before another hold; stop for today if it comes back."),
    "dizzy": StopReason(
        "dizzy", "Lie or sit down and breathe quietly. Go on only when it has passed; never hold the breath in a hold."
    ),
    "sensor": StopReason("strap or sensor", "Set it right, then zero and check the signal before another hold."),
}
EXPECTATIONS: Mapping[str, str] = {"less": "less discomfort", "same": "no difference", "more": "more discomfort"}
SORE = 3.0  # of 10: soreness after the last time above which nothing harder or further is offered; common practice
# said through a push, one each second, up to three building up, then holding: counting aloud keeps the breath moving
# (Phys Ther 1989, abstract read: trained breathing lowered 163/120 to 148/112 mmHg)
COUNT: tuple[str, ...] = ("one", "two", "three, hold", "four", "five")
BANDS: Mapping[str, Band] = {  # common practice, no source
    "light": Band(20, 30),
    "check": Band(60, 80),
    "hard": Band(80, 100),
}


EASING: Mapping[str, tuple[str, ...]] = {  # what may ease discomfort by itself, and the words that name it
    "warm-up": ("warm-up", "warm up", "warmup", "jog"),
    "warmth": ("heat", "warmth", "warm pack", "hot", "sauna"),
    "massage": ("massage",),
    "light contraction": ("light contraction",),
    "hard contraction": ("hard contraction",),
}


def name_easing(covariates: Any) -> tuple[str, ...]:
    """What of `EASING` was done beforehand, of a list, a text or a mapping as recordings have it; sorted."""
    told = (
        covariates if isinstance(covariates, Mapping) else [covariates] if isinstance(covariates, str) else covariates
    )
    said = [same_name(str(text)) for text in told or () if not isinstance(covariates, Mapping) or covariates[text]]
    return tuple(
        sorted(name for name, words in EASING.items() if any(text.startswith(word) for text in said for word in words))
    )


def get_meaning(kind: str) -> PhaseMeaning:
    """What a kind of phase means; one that this version does not know is named as it is, and stands for nothing."""
    return PHASES.get(kind) or PhaseMeaning(kind, kind)


def list_hurts(told: Aftermath) -> list[str]:
    """What at the end of a session lets nothing more be done in it, in words."""
    hurts = (
        (told.numbness, "numbness or tingling"),
        (told.new_pain, "new pain"),
        (told.walks_normally is False, "a limp"),
    )
    return [text for is_so, text in hurts if is_so]


def is_sore(told: Aftermath) -> bool:
    """Whether nothing harder or further is to be offered: new pain, or soreness over 3."""
    return bool(told.new_pain) or (told.soreness or 0.0) > SORE


def describe_aftermath(told: Aftermath) -> str:
    """What was answered, in one phrase; what was not answered is left out."""
    parts = [
        None if told.new_pain is None else "new pain" if told.new_pain else "no new pain",
        None if told.numbness is None else "numbness or tingling" if told.numbness else "no numbness",
        None if told.walks_normally is None else "walks normally" if told.walks_normally else "does not walk normally",
        None if told.soreness is None else f"soreness {told.soreness:g} of 10",
    ]
    return ", ".join(part for part in parts if part)


def describe_phase(kind: str, short: bool = False) -> str:
    """The words for a kind of phase."""
    meaning = get_meaning(kind)
    return meaning.short if short else meaning.say


def to_dict() -> dict[str, Any]:
    """For pages, which keep no words of their own for these."""
    return {
        "phase": {kind: asdict(words) for kind, words in PHASES.items()},
        "scale": {**asdict(SCALE), "ends": SCALE.ends},
        "count": list(COUNT),
        "effort": {"question": EFFORT_QUESTION, "ends": EFFORT_ENDS},
        "stop_reasons": {name: asdict(reason) for name, reason in STOP_REASONS.items()},
        "bands": {name: [band.low_percent, band.high_percent] for name, band in BANDS.items()},
    }
