"""What a session has of effort, phases and ratings as streams of the lab streaming layer. An extra: pylsl.

Two streams: effort in % of the maximum, a sample per level, and the words of what happens, as exports have them.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from biofeedback.acquisition.lsl_source import import_lsl
from biofeedback.model import FloatArray

BUFFER_S = 60  # kept for readers that are late
EVENTS = "-events"


class LslOutlet:
    """Streams ``name`` and ``name``-events from this computer on; readers come and go. SourceError without pylsl."""

    def __init__(self, name: str, labels: Sequence[str], rate_hz: float, *, source_id: str) -> None:
        lsl = import_lsl()
        effort = lsl.StreamInfo(name, "effort", len(labels), rate_hz, "float32", source_id)
        described = effort.desc().append_child("channels")
        for label in labels:
            channel = described.append_child("channel")
            channel.append_child_value("label", label)
            channel.append_child_value("unit", "%")
        words = lsl.StreamInfo(f"{name}{EVENTS}", "Markers", 1, lsl.IRREGULAR_RATE, "string", f"{source_id}{EVENTS}")
        self._effort: Any = lsl.StreamOutlet(effort, max_buffered=BUFFER_S)
        self._words: Any = lsl.StreamOutlet(words, max_buffered=BUFFER_S)

    def send(self, percent: FloatArray) -> None:
        """Levels (n, n_channels), the last of them of now; NaN where the effort is not known."""
        if len(percent):
            self._effort.push_chunk(np.ascontiguousarray(percent, dtype=np.float32))

    def say(self, text: str) -> None:
        """Something that happened just now."""
        self._words.push_sample([text])

    def close(self) -> None:
        """Readers see the streams end."""
        self._effort = self._words = None
