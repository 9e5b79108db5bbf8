"""Figures as files in a folder, each whole or not there."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from biofeedback.wiring.writing import explain_refusal, writing

if TYPE_CHECKING:
    from biofeedback.report.figure_files import Picture

FORMATS = ("svg", "png", "pdf")
HELP = "also write each figure as SVG, PNG and PDF into this folder"


def write_figures(pictures: Iterable[Picture], folder: Path, stem: str) -> list[Path]:
    """``STEM-NAME.svg``, ``.png`` and ``.pdf`` of each; the files made. RecordingError when they cannot be."""
    from biofeedback.report.figure_files import write_picture

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise explain_refusal(folder, error) from error
    made = []
    for picture in pictures:
        for kind in FORMATS:
            path = folder / f"{stem}-{picture.name}.{kind}"
            with writing(path) as beside:
                write_picture(picture, beside)
            made.append(path)
    return made
