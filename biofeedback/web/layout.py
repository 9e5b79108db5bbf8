"""Byte layout of one update, little-endian. ``static/shared/layout.js`` is its twin; a test holds the two together.

======  ====  ===========================================================================
offset  type  field
======  ====  ===========================================================================
0       u8    layout version, 2
1       u8    band state of the guide: 0 none, 1 below, 2 in, 3 above
2       u8    bits: 1 = stale (no data for 0.5 s)
3       u8    n, number of channels
4       u32   revision of the state (JSON) this update belongs to
8       f64   session time, s
16      i32   index of the last level
20      f32   time left of phase or countdown, s (NaN: none)
24      f32   time in band of this phase, s
28      f32   counted time of this phase, s
32      u32   index of the first strip level
36      u16   m, number of strip levels
38      u8    band state of the channel beside
39      u8    zero
40      f64   effort now, % of maximum, n values (NaN: unknown)
40+8n   f32   strip: effort, % of maximum, m rows of n values (NaN: unknown)
  +4mn  f32   the same levels as measured, each channel in its own unit
======  ====  ===========================================================================
"""

from __future__ import annotations

import struct

import numpy as np
from numpy.typing import NDArray

from biofeedback.web.live import Snapshot

VERSION = 2
STALE = 1
HEADER = struct.Struct("<BBBBIdifffIHBB")
MAX_STRIP_LEVELS = 65535


def encode_update(snapshot: Snapshot, *, revision: int, first_level: int, strip: NDArray[np.float32]) -> bytes:
    """Pack ``snapshot`` with ``strip``: % of maximum and own units, ``(2, n_levels, n_channels)``.

    Raises
    ------
    ValueError
        If the strip has another shape, or more levels than the layout can count.
    """
    n_channels = len(snapshot.percent)
    n_levels = strip.shape[1]
    if strip.shape != (2, n_levels, n_channels):
        raise ValueError(f"strip {strip.shape}: must be (2, n, {n_channels})")
    if n_levels > MAX_STRIP_LEVELS:
        raise ValueError(f"strip has {n_levels} levels; at most {MAX_STRIP_LEVELS} fit")
    header = HEADER.pack(
        VERSION,
        snapshot.band_state,
        STALE if snapshot.stale else 0,
        n_channels,
        revision & 0xFFFFFFFF,
        snapshot.time_s,
        snapshot.level,
        snapshot.remaining_s,
        snapshot.in_band_s,
        snapshot.counted_s,
        max(0, first_level),
        n_levels,
        snapshot.beside_state,
        0,
    )
    return header + struct.pack(f"<{n_channels}d", *snapshot.percent) + strip.astype("<f4", copy=False).tobytes()
