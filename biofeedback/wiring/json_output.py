"""``--json``: what a command found, for other programs: one object on standard output, and nothing else there."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from enum import Enum
from typing import Any

import numpy as np

HELP = "print what was found as JSON on standard output, for other programs"


def print_json(value: object) -> None:
    """One JSON document; numbers that are none become null."""
    print(json.dumps(to_plain(value), indent=1, allow_nan=False))


def to_plain(value: Any) -> Any:
    """Frozen values, arrays and paths as what JSON knows."""
    if isinstance(value, np.generic | np.ndarray):
        value = value.tolist()
    if isinstance(value, Enum):
        value = value.value
    if is_dataclass(value) and not isinstance(value, type):
        value = {field.name: getattr(value, field.name) for field in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): to_plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [to_plain(one) for one in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value if value is None or isinstance(value, str | int | float) else str(value)
