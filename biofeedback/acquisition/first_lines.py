"""What is wrong with what a port sends, told before a session begins."""

from __future__ import annotations

from collections.abc import Sequence

from biofeedback.acquisition.decoder import BadLines, Decoded, Text
from biofeedback.acquisition.profile import Profile
from biofeedback.acquisition.reader import UNREADABLE_PERCENT, unreadable_trouble
from biofeedback.acquisition.source import Decoder
from biofeedback.errors import SourceError


def judge_first_lines(
    decoder: Decoder, decoded: Sequence[Decoded], received: bytes, *, target: str, profile: Profile
) -> None:
    """Return while half of the lines are good.

    Raises
    ------
    SourceError
        Another number of columns than declared, words only, or mostly nonsense; each with its cure.
    """
    bad = [piece for piece in decoded if isinstance(piece, BadLines)]
    texts = [piece.text for piece in decoded if isinstance(piece, Text)]
    ragged = next((piece.reason for piece in bad if "expected" in piece.reason), None)
    n_judged = decoder.n_lines - len(texts)
    if n_judged and 100 * decoder.n_bad_lines / n_judged < UNREADABLE_PERCENT:
        return
    if ragged:
        example = _find_example(received)
        cure = f"a line is {example!r}: name each column, for example columns=seq,{profile.channels[0].name},-"
        raise SourceError(f"{target} sends {ragged}", cure)
    if texts and not bad:
        raise SourceError(f"{target} sends only text: {texts[-1]!r}", "it may wait for a command to start")
    share = 100 * decoder.n_bad_lines / n_judged if n_judged else 100.0
    trouble, _, cure = unreadable_trouble(share).partition(": ")
    raise SourceError(f"{target}: {trouble}", f"{cure} (now {profile.baud})")


def _find_example(received: bytes) -> str:
    lines = received.decode("ascii", "replace").splitlines()
    return lines[len(lines) // 2].strip()[:60] if lines else ""
