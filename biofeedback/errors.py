"""What a user can cure. Misuse by a programmer is ValueError; wire trouble is data, never an exception.

BiofeedbackError
├── SourceError        a sensor, port, radio or replayed file cannot be used
├── PlanError          a plan, profile or settings file has a mistake (names the line)
├── CalibrationError   a zero, scale, attempt or maximum cannot be believed
├── RecordingError     a recording cannot be opened, written or understood
├── SessionError       a command does not fit the moment, or a rating its scale
└── AnalysisError      there is too little, or the wrong kind of, material for an answer
"""


class BiofeedbackError(Exception):
    """One line: what happened, with value and limit, and ``cure``: what the user can do about it."""

    def __init__(self, what: str, cure: str) -> None:
        super().__init__(f"{what}; {cure}" if cure else what)
        self.what = what
        self.cure = cure


class SourceError(BiofeedbackError):
    """A sensor, port, radio or replayed file cannot be used."""


class PlanError(BiofeedbackError):
    """A plan, profile or settings file has a mistake."""


class CalibrationError(BiofeedbackError):
    """A zero, scale, attempt or maximum cannot be believed."""


class RecordingError(BiofeedbackError):
    """A recording cannot be opened, written or understood."""


class SessionError(BiofeedbackError):
    """A command does not fit the moment, or a rating its scale."""


class AnalysisError(BiofeedbackError):
    """Too little, or the wrong kind of, material for an answer."""
