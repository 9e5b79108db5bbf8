"""Contraction biofeedback for flexibility training."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from biofeedback.notebook import open_recording

__all__ = ["__version__", "open_recording"]
__version__ = "0.1.0"


def __getattr__(name: str) -> object:
    """``biofeedback.open_recording`` without making every command pay for importing it."""
    if name == "open_recording":
        from biofeedback.notebook import open_recording

        return open_recording
    raise AttributeError(f"module 'biofeedback' has no attribute {name!r}")
