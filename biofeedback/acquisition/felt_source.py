"""The ``felt:`` source: no sensor. Time passes, effort is what the athlete says, a phone may add what it knows."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from biofeedback.acquisition.source import ItemSource, SourceUrl
from biofeedback.errors import SourceError
from biofeedback.model import Channel, Chunk, Gap, Item

RATE_HZ = 50.0  # of the time axis; nothing faster comes without a sensor
BATCH_S = 0.033
STOOD_STILL_S = 1.0  # the computer did nothing for so long: a gap
RATING_HZ = 10.0
RATING = Channel(name="rating", kind="rating", unit="points", factor=0.01, rate_hz=RATING_HZ)


class FeltSource(ItemSource):
    """Frames at the pace of the clock, in which nothing is measured."""

    url = "felt:"
    description = "no sensor: effort as the athlete says it"
    channels: tuple[Channel, ...] = (RATING,)
    rate_hz = RATE_HZ

    def __init__(
        self, *, clock: Callable[[], float] = time.monotonic, sleep: Callable[[float], None] = time.sleep
    ) -> None:
        self._clock, self._sleep = clock, sleep
        self._start_s = 0.0
        self._next_frame = 0

    def open(self) -> None:
        """Time begins."""
        self._start_s, self._next_frame = self._clock(), 0

    def close(self) -> None:
        """Nothing to let go of."""

    def read_items(self) -> list[Item]:
        """The frames of the time since the last call, empty."""
        self._sleep(BATCH_S)
        first, end = self._next_frame, int((self._clock() - self._start_s) * RATE_HZ)
        if end <= first:
            return []
        self._next_frame = end
        if end - first > STOOD_STILL_S * RATE_HZ:
            return [Gap(first, end - first, "this computer stood still")]
        return [Chunk(first, np.full((end - first, len(self.channels)), np.nan))]


def open_felt(url: str, parsed: SourceUrl) -> FeltSource:
    """Source for ``felt:``, which takes no options."""
    if parsed.target or parsed.options:
        raise SourceError(f"{url!r}: felt: takes nothing more", "write felt: alone")
    return FeltSource()
