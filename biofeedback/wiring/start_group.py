"""Up to four athletes on the start page: each with sensor, side and stretch; what does not go together is said."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from biofeedback.acquisition.source import SourceUrl
from biofeedback.errors import SessionError
from biofeedback.session.exercises import Exercise
from biofeedback.wiring.assembly import find_exercise
from biofeedback.wiring.form_fields import FormError, Mistakes
from biofeedback.wiring.group import MAX_ATHLETES
from biofeedback.wiring.start_form import ChosenSession

SHARED = ("simulated", "felt", "replay")  # several may use these at once; a port or radio has one athlete
WITHOUT_A_BOARD = {"simulated": "Simulated athlete", "felt": "No sensor tonight"}
GENERAL = "group"
ReadForm = Callable[[Mapping[str, Any]], ChosenSession]


def check_seat(choice: ChosenSession, others: Sequence[ChosenSession]) -> None:
    """Whether an athlete can sit beside ``others``; FormError at ``athlete``, ``sensor`` or ``group``."""
    mistakes = Mistakes()
    with mistakes.at(GENERAL):
        if len(others) >= MAX_ATHLETES:
            raise SessionError(f"a group has at most {MAX_ATHLETES} athletes", "take one out first")
    with mistakes.at("athlete"):
        if choice.athlete.casefold() in [other.athlete.casefold() for other in others]:
            raise SessionError(f"{choice.athlete} has a seat already", "give each athlete a code of their own")
    with mistakes.at("sensor"):
        mine = SourceUrl.parse(choice.source)
        taken = {(url.scheme, url.target): other for other in others for url in [SourceUrl.parse(other.source)]}
        if mine.scheme not in SHARED and (whose := taken.get((mine.scheme, mine.target))):
            raise SessionError(f"{whose.athlete} has this sensor already", "choose another one for this athlete")
    mistakes.refuse()


def describe_seat(choice: ChosenSession, library: Mapping[str, Exercise]) -> dict[str, Any]:
    """A seat in the list of the group, in the words of the form."""
    exercise = find_exercise(choice.exercise, library)
    title = exercise.title if exercise else choice.exercise
    stretch = " · ".join(filter(None, (title, choice.side, choice.position)))
    source = WITHOUT_A_BOARD.get(SourceUrl.parse(choice.source).scheme, choice.source)
    return {"athlete": choice.athlete, "stretch": stretch or "no stretch named", "source": source}


def read_seat(order: Mapping[str, Any], read: ReadForm, library: Mapping[str, Exercise]) -> dict[str, Any]:
    """One athlete's form beside the forms that are ``seated`` already; FormError at the fields."""
    form, seated = order.get("form"), order.get("seated")
    others = [read(each) for each in seated if isinstance(each, dict)] if isinstance(seated, list) else []
    choice = read(form if isinstance(form, dict) else {})
    check_seat(choice, others)
    return describe_seat(choice, library)


def read_group(order: Mapping[str, Any], read: ReadForm) -> list[ChosenSession]:
    """The sessions of a group; FormError at ``group-1``, ``group-2``, ... for what is wrong at a seat."""
    forms = order.get("forms")
    listed = [form for form in forms if isinstance(form, dict)] if isinstance(forms, list) else []
    if not listed:
        raise FormError({GENERAL: SessionError("nobody has a seat", "add an athlete to the group")})
    choices: list[ChosenSession] = []
    for number, form in enumerate(listed, 1):
        try:
            choice = read(form)
            check_seat(choice, choices)
        except FormError as error:
            raise at_seat(number, next(iter(error.mistakes.values()))) from error
        choices.append(choice)
    return choices


def at_seat(number: int, error: Any) -> FormError:
    """A mistake that stands at a seat, from 1."""
    return FormError({f"{GENERAL}-{number}": error})
