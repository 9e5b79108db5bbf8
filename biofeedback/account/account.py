"""What the events of one session mean together: one pure fold, held by the engine live and computed again afterwards.

Nobody else looks into an event's payload to find out what is in force. Frames are the recording's; who needs seconds
or levels has the rate.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from biofeedback.account.kinds import (
    Aftermath,
    Answered,
    BandChosen,
    Noted,
    PlanBegun,
    PracticeMade,
    RangeRead,
    RatingAsked,
    RepeatMade,
    WayDone,
)
from biofeedback.account.records import (
    FOREVER,
    AttemptOnRecord,
    ClosedBy,
    MaximumOnRecord,
    PhaseOnRecord,
    RatingOnRecord,
    StopOnRecord,
    ZeroOnRecord,
)
from biofeedback.account.stages import Happening, Stage, find_ground, find_stage
from biofeedback.account.values import Doubt, Maximum, Zero
from biofeedback.account.words import STOP_REASONS
from biofeedback.model import Channel, find_guide, goes_by_feel, is_from_phone


@dataclass(slots=True)
class Account:
    """What is in force, and what was, after the events so far. ``apply`` takes the next; see `fold` for a whole list.

    ``channels`` and ``settings`` are those of the recording. ``answer``: the one on record, unless something
    that it was made from was said after it. ``problems``: events that cannot be read, told and left
    out.
    """

    channels: tuple[Channel, ...]
    settings: Mapping[str, Any] = field(compare=False)
    stage: Stage = "cautions"
    has_read_cautions: bool = False
    tests_no_maximum: bool | None = None
    testing_ended: str = ""
    expects: str = ""
    guide: str = ""
    limit: float | None = None
    covariates: Any = ()
    feedback_shown: bool = True
    stopped: str | None = None
    paused: str | None = None
    stranger: str = ""
    next_rate_hz: float | None = None  # that the sensor turned out to have, for the next start
    open_ask: RatingAsked | None = None
    pending_choice: BandChosen | None = None
    is_plan_over: bool = True
    answer: Answered | None = None
    zeros: dict[str, Zero] = field(default_factory=dict)
    zero_history: list[ZeroOnRecord] = field(default_factory=list)
    maxima: dict[str, Maximum] = field(default_factory=dict)
    maximum_history: list[MaximumOnRecord] = field(default_factory=list)
    superseded: list[MaximumOnRecord] = field(default_factory=list)  # still in the file, in force at no time
    attempts: list[AttemptOnRecord] = field(default_factory=list)
    practice: list[PracticeMade] = field(default_factory=list)
    aftermath: list[Aftermath] = field(default_factory=list)
    ranges: list[RangeRead] = field(default_factory=list)
    way: WayDone | None = None
    trusts_numbers: bool = False  # said to be right although no person gives them
    plans: list[PlanBegun] = field(default_factory=list)
    phases: list[PhaseOnRecord] = field(default_factory=list)
    ratings: list[RatingOnRecord] = field(default_factory=list)
    n_off_scale: int = 0
    repeats: list[RepeatMade] = field(default_factory=list)
    doubts: list[Doubt] = field(default_factory=list)
    stops: list[StopOnRecord] = field(default_factory=list)
    notes: list[tuple[int, Noted]] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        guide = find_guide(self.channels)
        self.guide = self.channels[guide or 0].name if self.channels else ""
        self.covariates = self.settings.get("covariates", ())
        limit = self.settings.get("limit")
        self.limit = float(limit) if isinstance(limit, int | float) else None

    # -- what readers ask ----------------------------------------------------------------------------------------

    @property
    def by_feel(self) -> bool:
        """Whether no sensor measures effort in this session: it is what the athlete says."""
        return goes_by_feel(self.channels)

    @property
    def is_zeroed(self) -> bool:
        """Whether every sensor that needs a zero has one; a phone's does not count."""
        of_phone = {channel.name for channel in self.channels if is_from_phone(channel)}
        return self.by_feel or bool(set(self.zeros) - of_phone)

    @property
    def phase(self) -> PhaseOnRecord | None:
        """The phase that runs now."""
        return self.phases[-1] if self.phases and self.phases[-1].end_frame is None else None

    @property
    def search(self) -> list[AttemptOnRecord]:
        """The attempts of the present search for a maximum."""
        return [one for one in self.attempts if not one.is_void]

    @property
    def plan(self) -> PlanBegun | None:
        """The plan begun last."""
        return self.plans[-1] if self.plans else None

    @property
    def why_stopped(self) -> str:
        """What was said of the last stop, or ""; a reason that ends the session holds, whatever is stopped later."""
        final = [stop.why for stop in self.stops if stop.why in STOP_REASONS and not STOP_REASONS[stop.why].may_go_on]
        return final[-1] if final else self.stops[-1].why if self.stops else ""

    @property
    def ground(self) -> Stage:
        """The first of cautions, zero and maximum that is missing, else "ready"."""
        return find_ground(
            has_read_cautions=self.has_read_cautions,
            has_zero=self.is_zeroed,
            has_maximum=self.by_feel or self.guide in self.maxima,
        )

    def find_phase(self, index: int | None) -> PhaseOnRecord | None:
        """The phase begun last with this place in its plan."""
        return next((phase for phase in reversed(self.phases) if phase.index == index), None)

    def maximum_at(self, frame: int, channel: str) -> Maximum | None:
        """The maximum in force for ``channel`` at ``frame``."""
        found = [
            one.maximum
            for one in self.maximum_history
            if one.maximum.channel == channel and one.frame <= frame < one.until_frame
        ]
        return found[-1] if found else None

    def last_maximum(self, channel: str) -> MaximumOnRecord | None:
        """The last maximum of ``channel``, in force or not."""
        own = [one for one in self.maximum_history if one.maximum.channel == channel]
        return own[-1] if own else None

    def describe_settings(self) -> dict[str, Any]:
        """What was settled beforehand, with what the session corrected later."""
        if self.covariates == self.settings.get("covariates", ()):
            return dict(self.settings)
        return {**self.settings, "covariates": self.covariates}

    # -- the fold ------------------------------------------------------------------------------------------------

    def move(self, happening: Happening) -> None:
        """Something happened that the table of stages may know."""
        self.stage = find_stage(self.stage, happening, self.ground)

    def close_phase(self, frame: int, closed_by: ClosedBy) -> None:
        """The running phase, if one is, ends at ``frame``."""
        if self.phase:
            self.phases[-1] = replace(
                self.phases[-1], end_frame=max(frame, self.phases[-1].first_frame), closed_by=closed_by
            )

    def end_plan_when_answered(self) -> None:
        """A plan is over with its last phase and the answer to its last question."""
        if self.stage == "plan" and self.is_plan_over and self.open_ask is None:
            self.move("plan over")

    def change_phase(self, index: int | None, **values: Any) -> None:
        """Put what was judged of the phase begun last with this index."""
        for place in range(len(self.phases) - 1, -1, -1):
            if self.phases[place].index == index:
                self.phases[place] = replace(self.phases[place], **values)
                return

    def void_maxima(self, frame: int, why: str, channels: Iterable[str]) -> None:
        """The maxima of ``channels`` hold no longer, for ``why``."""
        names = set(channels)
        for place, one in enumerate(self.maximum_history):
            if one.until_frame == FOREVER and one.maximum.channel in names:
                self.maximum_history[place] = replace(one, until_frame=frame, void=why)

    def end_zeros(self, frame: int, channels: Iterable[str]) -> None:
        """The zeros of ``channels`` hold no longer."""
        names = set(channels)
        for place, one in enumerate(self.zero_history):
            if one.until_frame == FOREVER and one.channel in names:
                self.zero_history[place] = replace(one, until_frame=frame)
