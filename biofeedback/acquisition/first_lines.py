"""What a port sends before a session begins: what is wrong with it, or how its lines are laid out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from biofeedback.acquisition.decoder import BadLines, Decoded, Text
from biofeedback.acquisition.layout import Column, Layout, Understanding
from biofeedback.acquisition.line_doubts import BITS_WORDS
from biofeedback.acquisition.profile import Profile
from biofeedback.acquisition.reader import UNREADABLE_PERCENT, unreadable_trouble
from biofeedback.acquisition.source import Decoder
from biofeedback.acquisition.understand import looks_unprintable, understand
from biofeedback.errors import SourceError
from biofeedback.model import Channel

SHOWN = 60
DECIMALS = {"comma": ",", "point": ".", "thousands": ",."}


def adopt_layout(profile: Profile, received: bytes, *, target: str) -> Profile | None:
    """The profile with the layout that the lines have, where only its channels are known and the lines need one.

    None: plain numbers, which need no layout, or nothing that fits; ``judge_first_lines`` says what is wrong then.

    Raises
    ------
    SourceError
        A comma between digits that can be read in two ways.
    """
    if profile.columns is not None or profile.packets is not None or profile.layout is not None:
        return None
    found = understand(received, decimal=profile.decimal)
    fitting = [one for one in found.readings if len(one.values) == len(profile.channels)]
    if len(fitting) == 1:  # the channels that are named say what the comma is
        found = understand(received, decimal=fitting[0].decimal)
    if found.readings:
        ways = " or ".join(f"{one.words} ({', '.join(f'{v:.10g}' for v in one.values)})" for one in found.readings)
        words = {decimal: word for word, decimal in DECIMALS.items()}
        options = " or ".join(f"decimal={words[one.decimal]}" for one in found.readings)
        raise SourceError(f"{target} prints {found.examples[-1].strip()[:SHOWN]!r}: {ways}?", f"say which: {options}")
    if found.layout is None or (is_plain(found.layout) and found.layout.decimal == "."):
        return None
    names = match_channels(found, profile.channels)
    return None if names is None else replace(profile, layout=found.layout.rename(names))


def read_decimal(text: str | None) -> str | None:
    """What ``decimal=`` says begins a fraction; None: nothing is said. SourceError for anything else."""
    if text is None:
        return None
    if text not in DECIMALS:
        raise SourceError(f"decimal={text} is not known", f"write decimal={' or decimal='.join(DECIMALS)}")
    return DECIMALS[text]


def check_meaning(profile: Profile, received: bytes, *, target: str) -> None:
    """Refuse lines of the declared number of numbers that mean something else.

    Raises
    ------
    SourceError
        What follows a comma looks like a fraction; a number that says which sensor the line is of; zeros and ones.
    """
    if profile.columns is not None or profile.packets is not None or profile.layout is not None or profile.decimal:
        return
    found = understand(received)
    if found.problem == BITS_WORDS:
        what, _, cure = found.problem.partition(": ")
        raise SourceError(f"{target} prints {found.examples[-1].strip()[:SHOWN]!r}: {what}", cure)
    if found.layout is not None and len(found.layout.templates) > 1:
        raise SourceError(
            f"{target} prints {' and '.join(repr(line.strip()[:SHOWN]) for line in found.examples[:2])} in turn",
            'press "Read its lines" on the page, or keep a pattern for each of these lines in a profile',
        )
    if found.layout is not None and found.layout.decimal == ",":
        n = len(found.columns)
        raise SourceError(
            f"{target} prints {found.examples[-1].strip()[:SHOWN]!r}: the comma looks like that of a fraction",
            f"name {n} channel{'s' * (n != 1)}, or write decimal=point if it parts two columns",
        )


def match_channels(found: Understanding, channels: Sequence[Channel]) -> tuple[str, ...] | None:
    """A name of a channel, or "-", for each column; None where it cannot be known which is which.

    By name, then by the one column that can be of a channel's kind, then, where there are as many, by their order.
    """
    columns = [column for column in found.columns if column.role not in ("counter", "time")]
    if len(columns) < len(channels):
        columns = list(found.columns)
    names = [channel.name for channel in channels]
    taken: dict[str, str] = {column.name: column.name for column in columns if column.name in names}
    if len(taken) < len(names):
        taken = _match_kinds(columns, channels)
    if len(taken) < len(names):
        if len(columns) != len(names):
            return None
        taken = {column.name: name for column, name in zip(columns, names, strict=True)}
    return tuple(taken.get(column.name, "-") for column in found.columns)


def _match_kinds(columns: Sequence[Column], channels: Sequence[Channel]) -> dict[str, str]:
    taken = {}
    for channel in channels:
        fitting = [column for column in columns if column.kind == channel.kind]
        if len(fitting) == 1 and sum(other.kind == channel.kind for other in channels) == 1:
            taken[fitting[0].name] = channel.name
    return taken


def is_plain(layout: Layout) -> bool:
    """Numbers parted by spaces, tabs, commas or semicolons, which a line decoder reads faster."""
    if len(layout.templates) > 1:
        return False
    empty = layout.rename(["-"] * layout.templates[0].count("{"))
    return ":hex" not in empty.templates[0] and not empty.templates[0].replace("{-}", "").strip(" ,;\t")


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
    example = _find_example(received)
    if ragged:
        cure = f"a line is {example!r}: name each column, for example columns=seq,{profile.channels[0].name},-"
        raise SourceError(f"{target} sends {ragged}", cure)
    if texts and not bad:
        raise SourceError(f"{target} sends only text: {texts[-1]!r}", "it may wait for a command to start")
    if profile.packets is None and received and not looks_unprintable(received):
        found = understand(received, decimal=profile.decimal)
        if found.prompt and not found.n_lines:
            raise SourceError(f"{target} prints {found.prompt[:SHOWN]!r} and waits", "it may wait for a key to begin")
        n = len(found.columns)
        why = found.problem or f"it holds {n} number{'s' * (n != 1)}, {len(profile.channels)} channels are named"
        cure = 'name its numbers in a profile, for example pattern = "Weight: {force} kg"'
        raise SourceError(f"{target} prints {example!r}: {why}", cure)
    share = 100 * decoder.n_bad_lines / n_judged if n_judged else 100.0
    trouble, _, cure = unreadable_trouble(share).partition(": ")
    raise SourceError(f"{target}: {trouble}", f"{cure} (now {profile.baud})")


def _find_example(received: bytes) -> str:
    lines = [line for line in received.decode("utf-8", "replace").splitlines() if line.strip()]
    return lines[len(lines) // 2].strip()[:SHOWN] if lines else ""
