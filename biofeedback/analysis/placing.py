"""Where on the level grid a rating stands, so that ratings grouped by phase are those of the phase."""

from __future__ import annotations

from biofeedback.analysis.trace import RatingRow, Trace


def place_ratings(trace: Trace) -> list[tuple[RatingRow, int]]:
    """Each answered rating with a level of its own: where it was given, or the last free one of its phase."""
    placed: dict[int, RatingRow] = {}
    for rating in trace.ratings:
        level = min(rating.frame // trace.hop, trace.n_levels - 1)
        if rating.phase_number is not None:
            level = min(level, trace.phases[rating.phase_number - 1].end_level - 1)
        while level in placed and level > 0:
            level -= 1
        if rating.value is not None and level >= 0:
            placed[level] = rating
    return [(rating, level) for level, rating in sorted(placed.items())]
