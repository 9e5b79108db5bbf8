"""What an interrupted program left half done among the recordings is finished at the next start, and told."""

from __future__ import annotations

import sys
from pathlib import Path

from biofeedback.storage.unfinished import finish_unfinished
from biofeedback.wiring.terminal import plain


def tell_unfinished(folder: Path) -> None:
    """Finish it or take it back, a line each on standard error."""
    for line in finish_unfinished(folder):
        print(f"finished: {plain(line)}", file=sys.stderr)
