"""Scaling a force sensor from known loads while a session runs: the commands, and what a page is told.

The scale of the running recording never changes: a certificate counts from the next start on.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from biofeedback.account.kinds import CertificateMade, ScaleChecked
from biofeedback.account.words import BANDS
from biofeedback.calibration.loads import Reading, check_mass
from biofeedback.calibration.scale import Certificate, find_rising, make_certificate
from biofeedback.calibration.units import NEWTON_PER_UNIT, TORQUE, convert_force, to_newton
from biofeedback.errors import CalibrationError, SessionError
from biofeedback.model import Channel, FloatArray
from biofeedback.session.loading import Load, Loading, LoadTable
from biofeedback.session.state import SessionState
from biofeedback.session.values import read_number, read_text

UNITS = ("kg", "g", "lb", "N")
LIGHT_SHARE = BANDS["light"].low_percent / 100.0  # of the greatest load; common practice, no source


@dataclass(frozen=True, slots=True)
class ScaleInUse:
    """The scale of the running recording, as ``check_mass`` asks it; loads lie above the session's zero."""

    channel: Channel
    zero: float
    lower_limit: float | None = None

    @property
    def unit(self) -> str:
        """The channel's."""
        return self.channel.unit

    def load(self, readings: FloatArray | float) -> FloatArray | float:
        """Loads that belong to ``readings`` in counts."""
        return (readings - self.channel.offset_counts) * self.channel.factor - self.zero


def _load(engine: SessionState, message: Mapping[str, Any], by: str) -> None:
    """Read a known load. A certificate that is finished, or another sensor, begins a new table."""
    column, load, unit = _read_load(engine, message)
    name, table = engine.channels[column].name, engine.scale
    if table.certificate or table.channel != name:
        table = LoadTable(name)
    engine.scale = table
    table.refused = table.check = None

    def keep(found: Reading | CalibrationError) -> None:
        if isinstance(found, Reading):
            table.loads.append(Load(load, unit, to_newton(load, unit), found.mean))
        else:
            table.refused = found

    empty_counts = table.loads[0].reading_counts if table.loads else 0.0
    engine.activity = Loading(engine, engine.level, column, keep, empty_counts=empty_counts)


def _creep(engine: SessionState, message: Mapping[str, Any], by: str) -> None:
    """Watch the present load for a minute: by how much does the reading creep?"""
    _need_quiet(engine)
    table = engine.scale
    if not table.loads or not table.loads[-1].load or table.certificate:
        raise SessionError("there is no load to watch", "read the greatest load first, and leave it hanging")
    table.refused = table.check = None

    def keep(found: float | CalibrationError) -> None:
        if isinstance(found, CalibrationError):
            table.refused = found
        else:
            table.creep_counts = found

    column = [channel.name for channel in engine.channels].index(table.channel)
    engine.activity = Loading(engine, engine.level, column, keep, creeps=True)


def _undo(engine: SessionState, message: Mapping[str, Any], by: str) -> None:
    _need_quiet(engine)
    if not engine.scale.loads or engine.scale.certificate:
        raise SessionError("there is no load to take back", "read one first")
    if message.get("n_loads", len(engine.scale.loads)) != len(engine.scale.loads):  # two hands at once
        raise SessionError("the loads have changed meanwhile", "check which load is the last one now")
    engine.scale.loads.pop()
    engine.scale.refused = None


def _finish(engine: SessionState, message: Mapping[str, Any], by: str) -> None:
    _need_quiet(engine)
    table = engine.scale
    if table.certificate:
        raise SessionError("the certificate is made", "read a load to begin another")
    table.refused = None
    arm_m = read_number(message, "lever_arm_m", 0.001, 3) if message.get("lever_arm_m") is not None else None
    unit = TORQUE if arm_m else "N"
    readings = [load.reading_counts for load in table.loads]
    span = max(readings) - min(readings) if readings else 0.0
    try:
        table.certificate = make_certificate(
            [convert_force(load.newton, "N", unit, lever_arm_m=arm_m) for load in table.loads],
            readings,
            unit=unit,
            sensor=read_text(message, "sensor").strip() or "S1",
            utc=engine.utc,
            creep_percent=100.0 * table.creep_counts / span if table.creep_counts is not None and span else None,
            lever_arm_m=arm_m,
        )
    except CalibrationError as error:
        table.refused = error
        return
    about = json.loads(table.certificate.to_json())
    engine.emit(CertificateMade(channel=table.channel, by=by, certificate=about))


def _check(engine: SessionState, message: Mapping[str, Any], by: str) -> None:
    """Weigh a known load with the scale in use."""
    column, load, unit = _read_load(engine, message)
    channel, table = engine.channels[column], engine.scale
    if channel.unit not in NEWTON_PER_UNIT:
        raise SessionError(
            f"{channel.name} is in {channel.unit}, which is not a unit of force",
            "scale it first, or check it by biofeedback scale",
        )
    expected = convert_force(load, unit, channel.unit)
    zero = engine.account.zeros.get(channel.name)
    in_use = ScaleInUse(channel, zero.level if zero else 0.0)
    empty_counts = in_use.zero / channel.factor + channel.offset_counts
    table.refused = table.check = None

    def keep(found: Reading | CalibrationError) -> None:
        if isinstance(found, CalibrationError):
            table.refused = found
            return
        table.check = check_mass(in_use, expected, found.mean)
        engine.emit(ScaleChecked(channel=channel.name, unit=channel.unit, by=by, **asdict(table.check)))

    engine.activity = Loading(engine, engine.level, column, keep, empty_counts=empty_counts)


SCALE_ACTIONS: Mapping[str, Callable[[SessionState, Mapping[str, Any], str], None]] = {
    "scale_load": _load,
    "scale_creep": _creep,
    "scale_undo": _undo,
    "scale_finish": _finish,
    "scale_check": _check,
}


def describe_scale(engine: SessionState) -> dict[str, Any]:
    """For a page: the loads so far, what was refused and why, the certificate, the last check of a mass."""
    table = engine.scale
    check = table.check
    return {
        "channel": table.channel,
        "running": isinstance(engine.activity, Loading),
        "creep_counts": table.creep_counts,
        "loads": [{"load": each.load, "unit": each.unit, "reading": each.reading_counts} for each in table.loads],
        "refused": {"what": table.refused.what, "cure": table.refused.cure} if table.refused else None,
        "certificate": describe_certificate(table.certificate) if table.certificate else None,
        "check": {
            "good": check.is_good,
            "text": check.warning or f"{check.load:.4g} reads {check.indicated:.4g}: the scale in use holds",
        }
        if check
        else None,
    }


def describe_certificate(c: Certificate) -> dict[str, Any]:
    """What a page shows of a certificate; forces in its unit."""
    rising = find_rising(np.asarray(c.loads))
    return {
        "sensor": c.sensor,
        "utc": c.utc,
        "unit": c.unit,
        "slope": f"{c.factor:.4g} {c.unit} per count",
        "residual_sd": None if c.residual_sd is None else abs(c.residual_sd * c.factor),
        "lower_limit": c.lower_limit,
        "smallest_load": c.smallest_load(),
        "nonlinearity_percent": c.nonlinearity_percent,
        "hysteresis_percent": c.hysteresis_percent,
        "zero_return_percent": c.zero_return_percent,
        "creep_percent": c.creep_percent,
        "verdict": judge_certificate(c),
        "notes": list(c.notes),
        "residuals": [
            {"load": load, "residual": residual, "rising": up}
            for load, residual, up in zip(c.loads, c.residuals().tolist(), rising.tolist(), strict=True)
        ],
    }


def judge_certificate(certificate: Certificate) -> str:
    """Whether light holds can be guided by this sensor: their band begins at a fifth of the greatest load."""
    smallest, light = certificate.smallest_load(), LIGHT_SHARE * certificate.full_scale
    unit = certificate.unit
    if smallest is None:
        verdict = "Its scatter is not known: more loads than terms of the fit are needed"
    elif smallest <= light:
        verdict = f"Good for light and hard holds: forces from {smallest:.3g} {unit} on are worth reading"
    elif smallest <= certificate.full_scale:
        verdict = f"Good for hard holds only: below {smallest:.3g} {unit} the scatter is more than 5 % of the force"
    else:
        verdict = f"Too rough: only above {smallest:.3g} {unit}, beyond every load here, are forces worth reading"
    if certificate.degree > 1:
        off_percent = certificate.line_deviation_percent
        verdict += (
            f". The readings bend; a straight line, as used here, is off by up to {off_percent:.2g} % of full scale"
        )
    return verdict + "."


def _read_load(engine: SessionState, message: Mapping[str, Any]) -> tuple[int, float, str]:
    """Column, load and unit of a command."""
    _need_quiet(engine)
    forces = {channel.name: column for column, channel in enumerate(engine.channels) if channel.kind == "force"}
    name, unit = str(message.get("channel")), read_text(message, "unit") or UNITS[0]
    if name not in forces:
        raise SessionError(
            f"{name!r} is not a force channel", f"choose one of {', '.join(forces)}" if forces else "add one"
        )
    if unit not in UNITS:
        raise SessionError(f"unit {unit!r} is not known", f"use one of {', '.join(UNITS)}")
    return forces[name], read_number(message, "load", 0, 1e6), unit


def _need_quiet(engine: SessionState) -> None:
    if engine.activity:
        raise SessionError(f"scaling has to wait: {engine.activity.name} is under way", "stop it first, or wait")
