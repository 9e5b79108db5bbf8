"""One athlete's session: its state, and the commands that people give."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from biofeedback.session.actions import carry_out
from biofeedback.session.state import SessionState


class Engine(SessionState):
    """Feed items in order with ``push``; act with ``command``; collect ``take_events``."""

    def command(self, message: Mapping[str, Any], *, by: str = "coach") -> None:
        """Carry out what a person asked for, from the next level on.

        Raises
        ------
        SessionError
            There is no such command, it does not fit the moment, or a value its scale.
        """
        carry_out(self, message, by)
        self.revision += 1
