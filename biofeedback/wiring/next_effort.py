"""The next effort of a plan that adapts, from this session's ratings and the athlete's earlier recordings."""

from __future__ import annotations

import multiprocessing
import threading
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from biofeedback.errors import BiofeedbackError
from biofeedback.model import same_name
from biofeedback.session.adapting import Choice, HeldPhase
from biofeedback.session.plan import Plan
from biofeedback.session.setup import Setup

if TYPE_CHECKING:
    from biofeedback.analysis.dose import DosePoint

N_EARLIER = 5  # recordings looked back at, the newest
N_POINTS = 48  # contractions a choice is made from, this session's first: more take longer than a session may wait


class EffortChooser:
    """Chooses as the report would: by the analysis' own contrasts, shapes and rule. Earlier recordings join in late."""

    def __init__(self, read: Callable[[], Iterable[DosePoint]] | None = None) -> None:
        self.thread: threading.Thread | None = None
        self._read = read
        self._earlier: tuple[DosePoint, ...] = ()

    def prepare(self, plan: Plan) -> Plan:
        """The same plan; when it adapts, the analysis is loaded and earlier recordings are read beside the session."""
        if self.thread is None and any(phase.adapt for phase in plan.phases):
            self.thread = threading.Thread(target=self._look_back, name="earlier", daemon=True)
            self.thread.start()
        return plan

    def _look_back(self) -> None:
        held = [
            HeldPhase("passive", 0, 0.0, 0.0),
            HeldPhase("contract", 1, 20.0, 0.0),
            HeldPhase("passive", 2, 0.0, 0.0),
        ]
        self(held, low_percent=10.0, high_percent=20.0, top_percent=20.0)  # loads what the first choice needs
        if self._read:
            self._earlier = tuple(self._read())

    def __call__(
        self, held: Sequence[HeldPhase], *, low_percent: float, high_percent: float, top_percent: float
    ) -> Choice | None:
        """The effort that is expected to teach most, with every contrast that it was made from."""
        from biofeedback.analysis.dose import choose_effort

        own = gather_points(held)[-N_POINTS:]
        earlier = self._earlier[: N_POINTS - len(own)]
        points = [*own, *earlier]
        effort, reason = choose_effort(
            points, low_percent=low_percent, high_percent=high_percent, top_percent=top_percent
        )
        if earlier:
            reason += f", with {len(earlier)} earlier contractions in mind"
        return Choice(effort, reason, {"points": [[p.effort_percent, p.change, p.session, p.cycle] for p in points]})


def gather_points(held: Sequence[HeldPhase]) -> list[DosePoint]:
    """Every complete contrast of the session so far, as the analysis makes them."""
    from biofeedback.analysis.dose import DosePoint
    from biofeedback.analysis.response import RatedPhase, make_contrasts

    phases = [h for h in held if h.meaning.in_position]
    rated = [
        RatedPhase("contract" if h.meaning.contracts else "passive", h.rating, float(time))
        for time, h in enumerate(phases)
    ]
    efforts = [h.effort_percent for h in phases if h.meaning.contracts]
    return [
        DosePoint(effort, contrast.change, 0, contrast.cycle)
        for effort, contrast in zip(efforts, make_contrasts(rated), strict=True)
        if effort is not None and contrast.change is not None
    ]


def read_earlier(folder: Path, setup: Setup) -> list[DosePoint]:
    """Contrasts of the newest recordings of this athlete, exercise, side and position. In a process of their own."""
    from biofeedback.storage.library import filter_recordings, list_recordings
    from biofeedback.wiring.answers import read_point

    try:
        entries = filter_recordings(list_recordings(folder), athlete=setup.athlete, side=setup.side)
    except BiofeedbackError:
        return []
    own = [
        entry.name
        for entry in entries
        if same_name(entry.exercise) == same_name(setup.exercise)
        and same_name(entry.position) == same_name(setup.position)
        and bool(entry.simulated) == setup.simulated
        and entry.started_utc < setup.started_utc
        and entry.n_ratings
    ]
    if not own:
        return []
    with multiprocessing.get_context("spawn").Pool(1) as pool:  # a session runs in this one
        points = [point for _, point, _ in pool.map(partial(read_point, str(folder)), own[:N_EARLIER]) if point]
    return [replace(p, session=n) for n, point in enumerate(points, 1) for p in point.dose_points]
