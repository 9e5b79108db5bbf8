"""A sensor that is not as fast as declared: what the coach is told, and the press that keeps what arrives."""

from __future__ import annotations

from typing import Any

from biofeedback.session.engine import Engine


def offer_rate(engine: Engine, measured_hz: float) -> dict[str, Any] | None:
    """To the coach: a sensor that is not as fast as declared, and the press that keeps what arrives; None once told."""
    declared_hz, rate = engine.levels.hop * engine.level_rate_hz, f"{measured_hz:.4g} a second"
    if engine.account.next_rate_hz is not None:
        text = f"{engine.account.next_rate_hz:.4g} readings a second are used from the next start on"
        return {"level": "info", "text": text, "cure": "the times of this recording stay as they are"}
    off = f"{100 * (measured_hz / declared_hz - 1):+.1f} %"
    return {
        "level": "warn",
        "text": f"The sensor sends {rate}, not {declared_hz:g} ({off}); times are off by as much",
        "cure": "this recording stays as it is: the rate can only change with a new start",
        "actions": [
            {"title": f"Use {measured_hz:.4g} next time", "command": {"do": "keep_rate", "rate_hz": measured_hz}}
        ],
    }
