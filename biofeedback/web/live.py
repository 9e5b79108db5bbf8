"""What the page needs of a live session; anything with these members can be served."""

# ruff: noqa: D102 - the class docstrings describe the members

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray


class Snapshot(Protocol):
    """The session at one level. ``percent``: NaN where effort is unknown; ``remaining_s``: NaN when nothing counts."""

    @property
    def time_s(self) -> float: ...
    @property
    def level(self) -> int: ...
    @property
    def percent(self) -> tuple[float, ...]: ...
    @property
    def band_state(self) -> int: ...
    @property
    def remaining_s(self) -> float: ...
    @property
    def stale(self) -> bool: ...
    @property
    def in_band_s(self) -> float: ...
    @property
    def counted_s(self) -> float: ...
    @property
    def beside_state(self) -> int: ...


class Live(Protocol):
    """One running session, used from the one thread of the event loop.

    ``strip_since`` gives the first level, and efforts in % beside what was measured in the channels' own units,
    ``(2, n_levels, n_channels)``.
    ``wait_for_update`` takes the last counter seen and returns a larger one, four times a second even without
    news, so that a page knows that we are here; it may be cancelled at any time.
    ``command`` raises BiofeedbackError (shown with its cure) or ValueError (malformed).
    """

    @property
    def revision(self) -> int: ...
    def state(self) -> Mapping[str, Any]: ...
    def snapshot(self) -> Snapshot: ...
    def strip_since(self, level: int) -> tuple[int, NDArray[np.float32]]: ...
    def command(self, message: dict[str, Any], by: str) -> dict[str, Any] | None: ...
    async def wait_for_update(self, seen: int) -> int: ...
