"""Channels and rate that are lost in every copy, taken from another recording of the same sensor, and told."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from biofeedback.account.codec import write_payload
from biofeedback.account.kinds import Noted
from biofeedback.errors import RecordingError
from biofeedback.storage.recording import TEXTS, open_recording
from biofeedback.storage.schema import FLOAT_DTYPE, TIMED, Row, to_json, unpack_counts

LOST = "its channels or rate are lost in both copies"
CURE = "restore a backup, or take them from a recording of the same sensor: check --repair --like OTHER.hold"
Chunks = Iterable[tuple[Any, ...]]  # first_frame, n_frames, dtype, data


def borrow_settings(settings: Mapping[str, Any], like: Path, chunks: Chunks, path: Path) -> dict[str, Any]:
    """The settings that are left, with channels and rate of ``like``.

    Raises RecordingError when ``like`` cannot be read, or when no chunk of ``path`` has as many channels.
    """
    other = open_recording(like)
    n_channels = len(other.channels)
    if not any(infer_width([chunk]) == n_channels for chunk in chunks):
        what = f"{like} has {n_channels} channels; the readings in {path} have not"
        raise RecordingError(what, "name a recording of the same sensor with --like")
    kept = {key: value for key, value in settings.items() if key not in TEXTS or isinstance(value, str)}
    return kept | {key: other.settings[key] for key in ("channels", "rate_hz")} | {"settings_like": like.name}


def infer_width(chunks: Chunks) -> int:
    """How many channels the first chunk has that can be one; 0 when there is none."""
    for _, n_frames, dtype, data in chunks:
        n_bytes = len(data) - (8 * n_frames if dtype.endswith(TIMED) else 0)
        width = n_bytes // ((8 if dtype.startswith(FLOAT_DTYPE) else 4) * n_frames) if n_frames > 0 else 0
        try:
            if width > 0 and len(unpack_counts(dtype, data, n_frames, width)):
                return int(width)
        except ValueError:
            continue
    return 0


def make_remark(settings: Mapping[str, Any]) -> list[Row]:
    """The event that puts on record where channels and rate came from; none where they are the recording's own."""
    if "settings_like" not in settings:
        return []
    text = f"channels and rate were lost; they are those of {settings['settings_like']}, another recording"
    said = to_json(write_payload(Noted(text=text, by="repair")))
    return [("events", (0, datetime.now(UTC).isoformat(timespec="seconds"), Noted.kind, said))]
