"""Contraction biofeedback for flexibility training.

In a notebook:

>>> import biofeedback
>>> recording = biofeedback.open_recording("A01-20260105-180000.hold")
>>> recording.to_dataframe()  # levels, effort in %, phases and ratings; units in .attrs
>>> recording.recalibrated(maximum={"force": 450}).analysis.response.word
>>> folder = biofeedback.open_folder("~/biofeedback-recordings")
>>> folder.sessions, folder.ratings, folder.phases
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from biofeedback.notebook import open_folder, open_recording

__all__ = ["__version__", "open_folder", "open_recording"]
__version__ = "0.1.0"
_OF_THE_NOTEBOOK = ("open_folder", "open_recording")


def __getattr__(name: str) -> object:
    """The notebook's functions, without making every command pay for importing them."""
    if name in _OF_THE_NOTEBOOK:
        from biofeedback import notebook

        return getattr(notebook, name)
    raise AttributeError(f"module 'biofeedback' has no attribute {name!r}")


def __dir__() -> list[str]:
    """With the notebook's functions, so that ``help(biofeedback)`` shows them."""
    return sorted([*globals(), *_OF_THE_NOTEBOOK])
