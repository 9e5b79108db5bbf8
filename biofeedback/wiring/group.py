"""Up to four athletes on one command line: who sits where, and which option is whose."""

from __future__ import annotations

from collections.abc import Sequence

from biofeedback.errors import SessionError

MAX_ATHLETES = 4  # gauges that one person can watch at once
FIRST_CODE = "A01"


def seat_athletes(sources: Sequence[str], codes: Sequence[str]) -> list[tuple[str, str]]:
    """Each source with its athlete's code, in order; one source needs no code.

    Raises
    ------
    SessionError
        More than four sources, a source without a code of its own, or a code that is there twice.
    """
    if len(sources) == 1 and not codes:
        codes = [FIRST_CODE]
    if len(sources) > MAX_ATHLETES:
        raise SessionError(
            f"{len(sources)} sources; one session has at most {MAX_ATHLETES}",
            "start a second session on another --port",
        )
    if len(sources) != len(codes):
        raise SessionError(
            f"--source is given {len(sources)} times, --athlete {len(codes)} times", "give each --source its --athlete"
        )
    if len({code.casefold() for code in codes}) < len(codes):  # files do not tell a01 from A01 everywhere
        raise SessionError(f"the codes {', '.join(codes)} are not all different", "give each athlete another code")
    return list(zip(sources, codes, strict=True))


def pick_own(texts: Sequence[str], code: str, codes: Sequence[str], option: str) -> list[str]:
    """The values of ``option`` that are meant for ``code``: beside others they say whose they are, ``A02:force=300``.

    Raises
    ------
    SessionError
        Several athletes, and a value that names none of them.
    """
    if len(codes) == 1:
        return [text.removeprefix(f"{code}:") for text in texts]
    for text in texts:
        if not any(text.startswith(f"{other}:") for other in codes):
            raise SessionError(f"{option} {text} does not say whose it is", f"write {option} {codes[0]}:{text}")
    return [text.removeprefix(f"{code}:") for text in texts if text.startswith(f"{code}:")]
