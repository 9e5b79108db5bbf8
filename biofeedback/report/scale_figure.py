"""What a sensor's calibration left over: residuals against load, rising and falling loads by different marks."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure, SubFigure
from numpy.typing import NDArray

from biofeedback.model import FloatArray
from biofeedback.report.figures import PALETTE, STYLE


def draw_residuals(
    figure: Figure | SubFigure,
    loads: FloatArray,
    residuals: FloatArray,
    rising: NDArray[np.bool_],
    *,
    unit: str,
    lower_limit: float | None,
    title: str,
) -> None:
    """Residuals (n,) in ``unit`` over loads (n,), joined in the order of loading, within the lower limit factor."""
    with mpl.rc_context(STYLE):
        axes = figure.subplots()
        span = float(np.ptp(loads))
        if lower_limit is not None:
            axes.axhspan(-lower_limit, lower_limit, color=PALETTE["band"], lw=0, label="within the lower limit factor")
        axes.axhline(0.0, color=PALETTE["soft"], lw=0.8)
        axes.plot(loads, residuals, color=PALETTE["soft"], lw=0.8, alpha=0.6, zorder=2)
        for mask, marker, label in ((rising, "^", "load added"), (~rising, "v", "load taken off")):
            if np.any(mask):
                face = PALETTE["effort"] if marker == "^" else PALETTE["paper"]
                style: dict[str, Any] = {"marker": marker, "ls": "", "ms": 7, "mec": PALETTE["effort"], "mfc": face}
                axes.plot(loads[mask], residuals[mask], label=label, zorder=3, **style)
        axes.set_xlabel(f"load, {unit}")
        axes.set_ylabel(f"reading minus fit, {unit}")
        percent = axes.secondary_yaxis(
            "right", functions=(lambda y: np.asarray(y) * (100 / span), lambda p: np.asarray(p) * (span / 100))
        )
        percent.set_ylabel("% of full scale")
        axes.margins(x=0.04, y=0.2)
        figure.suptitle(title, x=0.02, ha="left", fontsize=10)
        axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.16), ncols=3, frameon=False)


def write_residuals(path: Path, **what: Any) -> None:
    """The same as a PNG file."""
    figure = Figure(figsize=(7.2, 4.2), layout="constrained", facecolor=PALETTE["paper"])
    draw_residuals(figure, **what)
    figure.savefig(path, dpi=130, facecolor=PALETTE["paper"])
