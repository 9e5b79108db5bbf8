"""What stood around the numbers: the protocol of the maximum, what was expected, how it felt, the aftermath."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from biofeedback.account.account import Account
from biofeedback.account.words import EXPECTATIONS, describe_aftermath

FALL_PERCENT = 5.0  # points of effort from the first contractions to the last; common practice, no source
N_FALL_MIN = 3  # contractions in one band
TOLD_OF = {"end": "At the end", "next": "Since last time"}
UNLABELLED = "0 to 10, without words at its ends"


def describe_protocol(settings: Mapping[str, Any]) -> str:
    """How attempts at a maximum were made; recordings from before say so by saying nothing."""
    if settings.get("protocol") == "graded":
        return (
            "graded: asked first who tests none, practice at felt 25, 50 and 75 %, 3 s of ramp and 3 s of hold counted "
            "aloud, out of the stretch in between"
        )
    return "earlier: as hard as possible at once for 4 s, no practice, nobody asked who tests none or how it felt"


UNTESTED = {  # a maximum of which this recording has no attempt: the check is of today, the maximum is not
    "typed": "none here: the maximum was typed in, and how it was found is not on record",
    "carried": "none here: the maximum was taken over from an earlier session, whose report says how it was found",
    "revised": "none here: the maximum was changed afterwards",
}


def find_fall(efforts_percent: Sequence[float]) -> float | None:
    """By how many points of % effort fell from the first to the last contraction of one band; None: not clearly.

    A straight line through at least three contractions; more than 5 points count.
    """
    if len(efforts_percent) < N_FALL_MIN:
        return None
    number = np.arange(len(efforts_percent), dtype=np.float64)
    slope = float(np.polyfit(number, np.asarray(efforts_percent, dtype=np.float64), 1)[0])
    fall = -slope * (len(efforts_percent) - 1)
    return fall if fall > FALL_PERCENT else None


def describe_fall(fall_percent: float, n: int) -> str:
    """What a fall means for the answer."""
    return (
        f"effort fell by {fall_percent:.0f} points over {n} contractions: the muscle tired, and later contractions are "
        "not the same as the first"
    )


def list_care(account: Account, settings: Mapping[str, Any], *, has_attempts: bool) -> list[tuple[str, str]]:
    """Rows for a report; what was not asked is left out, but for the protocol and the ends of the scale."""
    held = account.last_maximum(account.guide)
    screened = {True: "one or more hold: no maximum", False: "none hold", None: ""}[account.tests_no_maximum]
    felt = "; ".join(
        f"{one.number}: discomfort {_answer(one.discomfort)}, effort {_answer(one.felt_effort)}"
        + (", sharp pain" if one.sharp else "")
        for one in account.search
        if one.discomfort is not None or one.felt_effort is not None or one.sharp
    )
    ranges = "; ".join(
        f"{one.when}, at {one.at}: {one.value:g} {one.unit}{f' ({one.method})' if one.method else ''}"
        for one in account.ranges
    )
    untested = UNTESTED.get(held.maximum.method, "") if held else ""
    rows = [
        ("Protocol of the maximum", describe_protocol(settings) if has_attempts else untested),
        ("Who tests no maximum", screened),
        ("How attempts felt", felt),
        ("Maximum", held.limited if held else ""),
        ("Familiarisation", "yes: nothing of it is to be used" if settings.get("familiarisation") else ""),
        ("Rating scale", str(settings.get("rating_scale") or UNLABELLED) if account.ratings else ""),
        ("Expected beforehand", EXPECTATIONS.get(account.expects, "")),
        ("Range", ranges),
        *((TOLD_OF[one.when], describe_aftermath(one)) for one in account.aftermath),
    ]
    return [(name, text) for name, text in rows if text]


def _answer(value: float | None) -> str:
    return "not said" if value is None else f"{value:g}"
