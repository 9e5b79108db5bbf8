"""What is on record about calibration, applied to an effort stream: the same live and afterwards."""

from __future__ import annotations

from biofeedback.account.values import Maximum
from biofeedback.calibration.effort import EffortStream
from biofeedback.model import Event


def apply_event(effort: EffortStream, event: Event) -> None:
    """Let a "zero", "maximum", "relaxed" or "device" event act from the next pushed level on; others do nothing."""
    columns = {channel.name: column for column, channel in enumerate(effort.channels)}
    if event.kind == "relaxed":
        effort.set_relaxed(bool(event.data["on"]))
    elif event.kind == "zero":
        for name, zero in event.data["channels"].items():
            if name in columns:
                effort.set_rest(columns[name], float(zero["level"]), float(zero["sd"]))
    elif event.kind == "device":
        effort.set_stranger(event.data["state"] == "asked")
        if event.data["state"] == "renewed":
            effort.forget()
    elif event.kind == "maximum" and event.data["channel"] in columns:
        effort.set_maximum(columns[event.data["channel"]], Maximum.from_dict(event.data))
