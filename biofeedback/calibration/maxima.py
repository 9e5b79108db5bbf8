"""Maxima from elsewhere: typed off a display, or carried over from an earlier day, with what that is worth."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from math import sqrt

from biofeedback.account.values import Maximum
from biofeedback.calibration.units import convert_force
from biofeedback.errors import CalibrationError
from biofeedback.model import Channel, same_name

TODAY_DAYS, FRESH_DAYS, OLD_DAYS = 0.5, 7.0, 28.0  # common practice, no source
END_RANGE_CV_PERCENT = 8.0  # knee, between days, at the end angles; 5 in mid-range (abstract read)
REPEATS_PERCENT = 1.96 * sqrt(2) * END_RANGE_CV_PERCENT  # a smaller change from one day to another is none (Weir 2005)


@dataclass(frozen=True, slots=True)
class CarriedMaximum:
    """A maximum that may be used, and what has to be said whenever it is."""

    maximum: Maximum
    warnings: tuple[str, ...]


def type_maximum(
    reading: float,
    unit: str,
    *,
    channel: Channel,
    utc: str,
    lever_arm_m: float | None = None,
    position: str = "",
    side: str = "",
    exercise: str = "",
) -> Maximum:
    """A maximum read off a display-only dynamometer, in the channel's unit; marked "typed" wherever it is used.

    Raises
    ------
    CalibrationError
        Not a force channel, a reading of zero or less, or a unit that does not convert.
    """
    if channel.kind != "force":
        raise CalibrationError(
            f"a typed maximum is for force; {channel.name} is {channel.kind}", "find its maximum by attempts"
        )
    if not reading > 0:
        raise CalibrationError(f"the reading is {reading:g} {unit}", "type the number on the display, above 0")
    strength = convert_force(reading, unit, channel.unit, lever_arm_m=lever_arm_m)
    return Maximum(
        channel=channel.name,
        strength=strength,
        baseline=0.0,
        unit=channel.unit,
        method="typed",
        position=position,
        side=side,
        exercise=exercise,
        feedback_shown=True,
        utc=utc,
        n_attempts=1,
    )


def carry_maximum(
    maximum: Maximum, *, channel: Channel, now_utc: str, position: str = "", side: str = "", exercise: str = ""
) -> CarriedMaximum:
    """A maximum from an earlier session for today: force with warnings that grow with age, EMG only within 12 hours.

    Hours, not dates: recordings carry UTC, whose midnight falls into the afternoon or the morning of half the world.

    Raises
    ------
    CalibrationError
        EMG older than 12 hours or from the future, or another unit.
    """
    if maximum.unit != channel.unit:
        raise CalibrationError(
            f"the stored maximum is in {maximum.unit}, {channel.name} reads {channel.unit}", "find a new maximum"
        )
    taken, now = _parse(maximum.utc), _parse(now_utc)
    age_days = None if taken is None or now is None else (now - taken).total_seconds() / 86400.0
    if channel.kind == "emg":
        if age_days is None or not 0 <= age_days <= TODAY_DAYS:
            raise CalibrationError(
                f"the EMG maximum of {channel.name} is from {maximum.utc[:10] or 'an unknown day'}, and electrodes "
                "never sit the same way twice",
                "find a new EMG maximum today",
            )
        warnings = ["EMG maximum from earlier today: valid only if no electrode was moved"]
    else:
        warnings = [_age_warning(age_days)]
    warnings += _difference_warnings(maximum, position=position, side=side, exercise=exercise)
    carried = replace(maximum, channel=channel.name)
    if maximum.method != "typed":
        carried = replace(carried, method="carried")
    return CarriedMaximum(carried, tuple(warnings))


def _age_warning(age_days: float | None) -> str:
    if age_days is None:
        return "the maximum has no date: find a new one"
    if age_days < 0:
        return "the maximum is dated later than now: check the computer's clock, and find a new one when in doubt"
    if age_days <= TODAY_DAYS:
        return "maximum from earlier today"
    n_days = max(1, round(age_days))
    days = f"maximum is {n_days} day{'s' if n_days != 1 else ''} old"
    if age_days <= FRESH_DAYS:
        return (
            f"{days}: from one day to another it repeats only to about {REPEATS_PERCENT:.0f} % "
            f"(1.96 x sqrt 2 x a CV of {END_RANGE_CV_PERCENT:g} % at the end of the range)"
        )
    if age_days <= OLD_DAYS:
        return f"{days}: training changes strength, find a new one soon"
    return f"{days}, more than {OLD_DAYS:.0f}: find a new one before trusting any percentage"


def _difference_warnings(maximum: Maximum, *, position: str, side: str, exercise: str) -> list[str]:
    pairs = (
        ("position", maximum.position, position),
        ("side", maximum.side, side),
        ("exercise", maximum.exercise, exercise),
    )
    return [
        f"maximum was taken with {name} {then or 'not noted'}, now it is {now or 'not noted'}: "
        "strength depends on it, find a new one there"
        for name, then, now in pairs
        if same_name(then) != same_name(now)
    ]


def _parse(utc: str) -> datetime | None:
    try:
        parsed = datetime.fromisoformat(utc)
    except ValueError:
        return None
    return parsed if parsed.tzinfo else parsed.replace(tzinfo=UTC)
