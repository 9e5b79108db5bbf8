"""What an athlete's earlier sessions bring along: repeats of lessons, and how long they contracted hard today."""

from __future__ import annotations

import logging
import threading
from pathlib import Path

from biofeedback.account.kinds import RepeatMade
from biofeedback.calibration.recovery import count_hard_s
from biofeedback.errors import BiofeedbackError
from biofeedback.model import same_name
from biofeedback.session.engine import Engine
from biofeedback.session.setup import Setup
from biofeedback.storage.library import Entry, filter_recordings, list_recordings
from biofeedback.storage.recording import open_recording

LOG = logging.getLogger("biofeedback.wiring")
N_LOOKED_AT = 30  # recordings, the newest
SETUP = ("exercise", "side", "position")


def look_back(folder: Path, setup: Setup, engine: Engine) -> threading.Thread:
    """Read them beside the session; what they hold is there a moment later."""
    thread = threading.Thread(target=_tell, args=(folder, setup, engine), name="earlier sessions", daemon=True)
    thread.start()
    return thread


def _tell(folder: Path, setup: Setup, engine: Engine) -> None:
    try:
        engine.earlier_repeats, engine.earlier_hard_s = read_earlier_training(folder, setup)
    except Exception:  # what is known of earlier evenings must never take a session with it
        LOG.warning("earlier sessions could not be read", exc_info=True)


def read_earlier_training(folder: Path, setup: Setup) -> tuple[tuple[RepeatMade, ...], float]:
    """Repeats of the lessons of this exercise, side and position, oldest first; and hard seconds of the same day.

    A recording that cannot be read brings nothing; one that is still being written is this one.
    """
    if len(list(folder.glob("*.hold"))) < 2:  # this session's own at most: nothing to index
        return (), 0.0
    try:
        entries = filter_recordings(list_recordings(folder), athlete=setup.athlete)
    except BiofeedbackError:
        return (), 0.0
    own = [e for e in entries if bool(e.simulated) == setup.simulated and e.started_utc < setup.started_utc]
    repeats: list[RepeatMade] = []
    hard_s = 0.0
    for entry in sorted(own, key=lambda each: each.started_utc)[-N_LOOKED_AT:]:
        try:
            recording = open_recording(folder / entry.name)
            account, rate_hz, end = recording.account, recording.rate_hz, recording.n_frames
        except BiofeedbackError:
            continue
        if _is_alike(entry, setup):
            repeats += account.repeats
        if entry.started_utc[:10] == setup.started_utc[:10]:
            hard_s += count_hard_s(account.phases, rate_hz, end)
    return tuple(repeats), hard_s


def _is_alike(entry: Entry, setup: Setup) -> bool:
    return all(same_name(getattr(entry, name)) == same_name(getattr(setup, name)) for name in SETUP)
