"""What is on record about calibration, applied to effort and levels: the same live and afterwards."""

from __future__ import annotations

from dataclasses import replace

from biofeedback.account.kinds import DeviceNoticed, MaximumSet, Relaxed, ZeroTaken, try_read
from biofeedback.account.values import Maximum, Whitener
from biofeedback.calibration.attempt_values import is_quadratic
from biofeedback.calibration.effort import EffortStream
from biofeedback.model import Event
from biofeedback.signal.levels import LevelStream
from biofeedback.signal.whiten import WhiteningFilter


def apply_event(effort: EffortStream, event: Event) -> None:
    """Let a "zero", "maximum", "relaxed" or "device" event act from the next pushed level on; others do nothing."""
    columns = {channel.name: column for column, channel in enumerate(effort.channels)}
    match try_read(event):
        case Relaxed(on=on):
            effort.set_relaxed(on)
        case ZeroTaken(channels=zeros):
            for name, zero in zeros.items():
                if name in columns:
                    effort.set_rest(columns[name], zero.level, zero.sd)
        case DeviceNoticed(state=state):
            effort.set_stranger(state == "asked")
            if state == "renewed":
                effort.forget()
        case MaximumSet(maximum=maximum) if maximum.channel in columns:
            effort.set_maximum(columns[maximum.channel], maximum)
        case _:
            pass


def tell_levels(levels: LevelStream, event: Event) -> None:
    """Let a "maximum" event act on the filters, from the level on that it names; others do nothing.

    Live as soon as it is said, afterwards before the first frame: the level is never one that has been made.
    """
    columns = {channel.name: column for column, channel in enumerate(levels.channels)}
    match try_read(event):
        case MaximumSet(maximum=maximum) if maximum.channel in columns and maximum.whitener is not None:
            column, whitener = columns[maximum.channel], maximum.whitener
            if is_quadratic(levels.channels[column]):
                levels.whiten(column, to_filter(whitener), whitener.from_level)
        case _:
            pass


def begin_whitener(maximum: Maximum, levels: LevelStream) -> Maximum:
    """The maximum with its filter acting from the next level on that is free to change.

    One that brings none takes an earlier filter off: its levels would not be those that it was measured by. A filter
    for another rate is none.
    """
    column = next((k for k, channel in enumerate(levels.channels) if channel.name == maximum.channel), None)
    if column is None or not is_quadratic(levels.channels[column]):
        return maximum
    rate_hz = levels.channels[column].rate_hz or levels.rate_hz
    whitener, before = maximum.whitener, levels.find_whitener(column)
    if whitener is not None and to_filter(whitener) == before:
        return maximum  # the same goes on
    if whitener is None or abs(whitener.rate_hz - rate_hz) > 1e-6 * rate_hz:
        if before is None or before.is_plain:
            return replace(maximum, whitener=None)
        whitener = Whitener((1.0,), rate_hz)
    return replace(maximum, whitener=replace(whitener, from_level=levels.find_turn(column)))


def to_filter(whitener: Whitener) -> WhiteningFilter:
    """What the level stream takes of it."""
    return WhiteningFilter(
        tuple(whitener.coefficients),
        whitener.rest_excess,
        whitener.plain_below,
        whitener.whole_above,
        whitener.release_s,
    )
