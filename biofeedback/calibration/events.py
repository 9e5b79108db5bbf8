"""What is on record about calibration, applied to an effort stream: the same live and afterwards."""

from __future__ import annotations

from biofeedback.account.kinds import DeviceNoticed, MaximumSet, Relaxed, ZeroTaken, try_read
from biofeedback.calibration.effort import EffortStream
from biofeedback.model import Event


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
