"""Payloads of events to and from JSON, by the types of their fields: the one place where a payload is judged."""

from __future__ import annotations

import math
import types
from collections.abc import Callable, Mapping
from dataclasses import MISSING, Field, dataclass, fields, is_dataclass
from typing import Any, Literal, TypeAlias, TypeVar, Union, get_args, get_origin, get_type_hints

from biofeedback.model import Band

Read: TypeAlias = Callable[[Any], Any]
T = TypeVar("T")


class PayloadError(ValueError):
    """A payload that its kind cannot have; the text names the field."""


def read_payload(cls: type[T], data: Any) -> T:
    """``data`` as ``cls``, a frozen dataclass. Unknown keys are ignored; None stands for a default. PayloadError."""
    if not isinstance(data, Mapping):
        raise PayloadError("is not an object")
    plans = _plan(cls)
    values = {}
    for plan in plans:
        if plan.place == "inline":
            values[plan.name] = plan.read(data)
        elif plan.place == "rest":
            known = {each.key for each in plans}
            values[plan.name] = {key: value for key, value in data.items() if key not in known}
        elif plan.key in data and (data[plan.key] is not None or plan.takes_none):
            try:
                values[plan.name] = plan.read(data[plan.key])
            except PayloadError as error:
                raise PayloadError(f"{plan.key} {error}") from None
        elif not plan.has_default:
            raise PayloadError(f"{plan.key} is missing")
    try:
        return cls(**values)
    except (TypeError, ValueError) as error:
        raise PayloadError(str(error)) from None


def write_payload(payload: Any) -> dict[str, Any]:
    """The inverse, JSON-able. A field is left out while it is empty (None, "", False, 0) and empty by default."""
    data: dict[str, Any] = {}
    for plan in _plan(type(payload)):
        value = getattr(payload, plan.name)
        if plan.place:
            data |= _plain(value)
        elif plan.is_always_written or not plan.may_be_left_out(value):
            data[plan.key] = _plain(value)
    return data


def _plain(value: Any) -> Any:
    if isinstance(value, Band):
        return [value.low_percent, value.high_percent]
    if is_dataclass(value) and not isinstance(value, type):
        return write_payload(value)
    if isinstance(value, Mapping):
        return {key: _plain(each) for key, each in value.items()}
    if isinstance(value, tuple | list):
        return [_plain(each) for each in value]
    return value


@dataclass(frozen=True, slots=True)
class _FieldPlan:
    """How one field is read and written. ``place``: "inline" among the keys of its owner, "rest" all other keys."""

    name: str
    key: str
    read: Read
    takes_none: bool
    has_default: bool
    default: Any
    place: str
    is_always_written: bool

    def may_be_left_out(self, value: Any) -> bool:
        """Whether reading without the key gives ``value`` back, and nobody would miss it."""
        return self.has_default and not self.default and type(value) is type(self.default) and value == self.default


def _plan(cls: type) -> tuple[_FieldPlan, ...]:
    plan = _PLANS.get(cls)
    if plan is None:
        hints = get_type_hints(cls)
        plan = _PLANS[cls] = tuple(_plan_field(field, hints[field.name]) for field in fields(cls))
    return plan


_PLANS: dict[type, tuple[_FieldPlan, ...]] = {}


def _plan_field(field: Field[Any], hint: Any) -> _FieldPlan:
    default = field.default
    if default is MISSING and field.default_factory is not MISSING:
        default = field.default_factory()
    return _FieldPlan(
        name=field.name,
        key=field.metadata.get("key", field.name),
        read=_make_reader(hint),
        takes_none=type(None) in get_args(hint),
        has_default=default is not MISSING,
        default=default,
        place=field.metadata.get("place", ""),
        is_always_written=bool(field.metadata.get("always")),
    )


def _make_reader(hint: Any) -> Read:  # noqa: PLR0911 - one return per shape of a type
    """A function from JSON to the type that ``hint`` names, or PayloadError."""
    origin, inner = get_origin(hint), get_args(hint)
    if origin in (Union, types.UnionType):
        read = _make_reader(next(each for each in inner if each is not type(None)))
        return lambda value: None if value is None else read(value)
    if origin is Literal:
        return _reader_of_choices(inner)
    if origin is tuple:
        read = _make_reader(inner[0])
        return lambda value: tuple(read(each) for each in _expect(value, list, "a list"))
    if origin is not None and issubclass(origin, Mapping):
        read = _make_reader(inner[1])
        return lambda value: {str(key): read(each) for key, each in _expect(value, Mapping, "an object").items()}
    if is_dataclass(hint) and isinstance(hint, type):
        return _read_band if hint is Band else lambda value: read_payload(hint, value)
    if hint is Any:
        return lambda value: value
    simple: Read = {float: _read_float, int: _read_int, bool: _read_bool, str: _read_str}[hint]
    return simple


def _reader_of_choices(choices: tuple[Any, ...]) -> Read:
    def read(value: Any) -> Any:
        if value not in choices:
            raise PayloadError(f"is {_show(value)}, none of {', '.join(map(str, choices))}")
        return value

    return read


def _read_band(value: Any) -> Band:
    if not isinstance(value, list | tuple) or len(value) != 2:
        raise PayloadError(f"is {_show(value)}, not a lower and an upper edge")
    try:
        return Band(_read_float(value[0]), _read_float(value[1]))
    except ValueError as error:
        raise PayloadError(f"is {_show(value)}: {error}") from None


def _read_float(value: Any) -> float:
    try:
        if isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value):
            return float(value)
    except OverflowError:  # a whole number of hundreds of digits
        pass
    raise PayloadError(f"is {_show(value)}, not a number")


def _read_int(value: Any) -> int:
    if isinstance(value, int) and not isinstance(value, bool):
        return value
    number = _read_float(value)
    if number != int(number):
        raise PayloadError(f"is {_show(value)}, not a whole number")
    return int(number)


def _read_bool(value: Any) -> bool:
    if not isinstance(value, bool):
        raise PayloadError(f"is {_show(value)}, neither true nor false")
    return value


def _read_str(value: Any) -> str:
    if not isinstance(value, str):
        raise PayloadError(f"is {_show(value)}, not a text")
    return value


def _expect(value: Any, kind: Any, what: str) -> Any:
    if kind is list and isinstance(value, tuple):
        return value
    if not isinstance(value, kind):
        raise PayloadError(f"is {_show(value)}, not {what}")
    return value


def _show(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 40 else text[:39] + "…"
