"""The phone of a seat as a sensor: what its page may ask, and what is told of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Protocol

from biofeedback.calibration.position import USUAL, PositionLimits, limits_for
from biofeedback.errors import SessionError
from biofeedback.session.values import read_text

SLOW_HZ = 15.0  # fewer readings a second follow no limb


class PhoneFeed(Protocol):
    """What a session needs of a phone."""

    who: str
    is_hidden: bool
    has_angle: bool

    @property
    def is_silent(self) -> bool:
        """Nothing came for the best part of a second."""

    @property
    def is_mute(self) -> bool:
        """Its page sends, and no motion is in it."""

    @property
    def rate_hz(self) -> float:
        """Motion readings per second; NaN: not known yet."""

    def claim(self, who: str, *, has_angle: bool = True) -> bool:
        """Become the phone of the seat; False while another one sends."""

    def leave(self, who: str) -> None:
        """Be no sensor any more."""

    def hide(self, who: str, is_hidden: bool) -> None:
        """Its page went to the background, or came back."""

    def put(self, who: str, gravity: Sequence[Sequence[float]], ratings: Sequence[Sequence[float]]) -> bool:
        """Take a batch; False: another phone is the sensor."""


def carry_out_phone(phone: PhoneFeed | None, message: Mapping[str, Any]) -> None:
    """A command of the place "phone"; SessionError with its cure where it does not fit."""
    if phone is None:
        raise SessionError("this session has no place for a phone's angle", "start it with --phone")
    who = read_text(message, "who")
    if not who:
        raise SessionError("a phone without a name", "reload the page")
    match message["do"]:
        case "phone_angle" if message["on"]:
            if not phone.claim(who, has_angle=message.get("angle", True)):
                raise SessionError(
                    "another phone is the sensor of this seat",
                    "switch its angle off there first, or let it be silent for a second",
                )
        case "phone_angle":
            phone.leave(who)
        case "phone_hidden":
            phone.hide(who, bool(message["hidden"]))
        case _:
            widths = {len(row) for row in message["gravity"]} - {4} or {len(row) for row in message["ratings"]} - {2}
            if widths:
                raise SessionError("readings of a phone that are too short or too long", "reload the page")
            if not phone.put(who, message["gravity"], message["ratings"]):
                raise SessionError("another phone has become the sensor of this seat", "switch it off there first")


def describe_phone(phone: PhoneFeed | None) -> dict[str, Any] | None:
    """For pages: whether a phone measures, and what is wrong with it; None where there is no place for one."""
    if phone is None:
        return None
    state, what, cure = "live", "", ""
    if not phone.who:
        state = "off"
    elif phone.is_hidden:
        state, what = "hidden", "the phone's page is in the background: nothing is measured"
        cure = "bring it to the front and keep the phone unlocked"
    elif phone.is_silent:
        state, what = "silent", "the phone sends nothing"
        cure = "look whether it is locked, or has left the network; it goes on by itself"
    elif not phone.has_angle:
        state = "slider"
    elif phone.is_mute:
        state, what = "mute", "the phone gives no motion"
        cure = "allow motion for this page in its browser's settings; it goes on by itself"
    elif phone.rate_hz < SLOW_HZ:
        state = "slow"
        what = f"the phone gives only {phone.rate_hz:.0f} readings a second: too slow for an angle"
        cure = "switch its battery saver off, or use another phone"
    return {"state": state, "what": what, "cure": cure, "who": phone.who}


def describe_limits(unit: str, lever_m: float | None, own: PositionLimits | None = None) -> dict[str, Any] | None:
    """The limits of a position channel and, for an angle, how centimetres became degrees or degrees centimetres."""
    limits = limits_for(unit, lever_m, own)
    if limits is None:
        return None
    whose = ["set for this exercise"] if own else []
    if lever_m and unit == "deg":
        ways = own or USUAL
        if ways.unit == "deg":
            ways = limits_for("cm", lever_m, own) or ways
        whose = [f"{ways.to_text()} at {lever_m:.2f} m from the joint", *whose]
    text = f"limits {limits.warn:.1f} and {limits.fail:.1f} {limits.unit}"
    return {"warn": limits.warn, "fail": limits.fail, "text": f"{text} ({', '.join(whose)})" if whose else text}


def describe_drift(own: PositionLimits | None) -> str:
    """What the coach's eye goes by where nothing measures the position."""
    limits = own or USUAL
    return f"Drifted: over {limits.warn:.3g} {limits.unit}. Lost: over {limits.fail:.3g} {limits.unit}."
