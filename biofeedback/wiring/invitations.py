"""Codes for the athletes' phones on the terminal."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from itertools import zip_longest

from biofeedback.web.qr import draw_qr, encode_qr
from biofeedback.web.sharing import Invitation

GAP = "   "


def print_invitations(invitations: Sequence[Invitation]) -> None:
    """A code for each seat, to read with a camera or to type."""
    print(lay_out(invitations, n_columns=shutil.get_terminal_size().columns), flush=True)


def lay_out(invitations: Sequence[Invitation], *, n_columns: int) -> str:
    """The codes under the athletes' own, as many beside each other as ``n_columns`` hold: two on 80."""
    blocks = [[f"{each.athlete}'s phone", *draw_qr(encode_qr(each.url)).splitlines(), each.url] for each in invitations]
    width = max(len(line) for block in blocks for line in block)
    n_beside = max(1, (n_columns + len(GAP)) // (width + len(GAP)))
    lines = []
    for first in range(0, len(blocks), n_beside):
        for parts in zip_longest(*blocks[first : first + n_beside], fillvalue=""):
            lines.append(GAP.join(part.ljust(width) for part in parts).rstrip())
    minutes = round(invitations[0].expires_s / 60)
    whose = "The athlete's phone joins" if len(blocks) == 1 else "Each athlete's own phone joins at their own seat,"
    return "\n".join([*lines, f"{whose} once, within {minutes} minutes; the coach's page makes new codes."])
