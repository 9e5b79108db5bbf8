"""A form as a page sends it: texts of its fields, and mistakes that stand at them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from biofeedback.errors import BiofeedbackError, PlanError

LONGEST_TEXT = 300


class FormError(PlanError):
    """Mistakes by field, all that were found."""

    def __init__(self, mistakes: Mapping[str, BiofeedbackError]) -> None:
        first = next(iter(mistakes.values()))
        super().__init__(first.what, first.cure)
        self.mistakes = mistakes


@dataclass(slots=True)
class Mistakes:
    """Collects what is wrong, so that all of it is told at once."""

    found: dict[str, BiofeedbackError] = field(default_factory=dict)

    @contextmanager
    def at(self, name: str) -> Iterator[None]:
        """A mistake in the block stands at the field ``name``."""
        try:
            yield
        except BiofeedbackError as error:
            self.found.setdefault(name, error)

    def refuse(self) -> None:
        """Raise FormError if there was any."""
        if self.found:
            raise FormError(self.found)


def read_text(form: Mapping[str, Any], name: str) -> str:
    """A text of the form, "" where it is none."""
    value = form.get(name)
    return value.strip()[:LONGEST_TEXT] if isinstance(value, str) else ""
