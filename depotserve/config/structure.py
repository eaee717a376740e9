"""From values with positions to the typed settings, each fault named where it stands."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path
from typing import Any, Optional, TypeVar, get_args, get_type_hints

import attrs
import cattrs

from depotserve.config.rules import (
    A_DATE,
    BOUNDS,
    HOURS,
    TEXTS,
    day,
    hours,
    network,
    readers_word,
)
from depotserve.config.settings import Hours, Network, Readers, Settings
from depotserve.config.source import Listing, Mapping, Scalar, Value, refuse_unknown

__all__ = ["structure"]

_Class = TypeVar("_Class", bound=attrs.AttrsInstance)
_FORMAT = "format"
_NOT_SETTINGS = frozenset({"home", "line"})
_INTEGER = re.compile(r"0|[1-9][0-9]{0,17}")
_NUMBER = re.compile(r"(0|[1-9][0-9]{0,8})(\.[0-9]{1,9})?")
# What YAML 1.2 reads as a number though the older rules of the reader call it text (§10.3.2).
_NUMBER_TO_OTHERS = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?|0o[0-7]+")
_KINDS = {"bool": "a truth value", "null": "nothing", "timestamp": "a date"}


def structure(document: Value, home: Path) -> Settings:
    """Make settings of a read document.

    Raises CallerError for the first key that is unknown, missing, of a wrong type or out of
    range, naming its line.
    """
    top = _mapping(document)
    _check_format(top)
    entries = {key: value for key, value in top.entries.items() if key != _FORMAT}
    return _build(Mapping(top.at, entries), Settings, known=(_FORMAT,), home=home)


def _check_format(top: Mapping) -> None:
    if _FORMAT not in top.entries:
        raise top.at.below(_FORMAT).fault("is missing", "allowed is 1")
    _converter.structure(top.entries[_FORMAT], int)


def _mapping(value: Value) -> Mapping:
    if isinstance(value, Mapping):
        return value
    raise value.at.fault("holds no keys", "allowed are lines of `key: value`")


def _build(
    mapping: Mapping,
    wanted: type[_Class],
    *,
    known: tuple[str, ...] = (),
    **given: Any,  # noqa: ANN401
) -> _Class:
    """Make an attrs object of a mapping's entries and of what is `given` beside them."""
    types = get_type_hints(wanted)
    fields = {f.name: f for f in attrs.fields(wanted) if f.name not in _NOT_SETTINGS}
    refuse_unknown(mapping, (*known, *fields))
    for name, field in fields.items():
        if name in mapping.entries:
            given[name] = _converter.structure(mapping.entries[name], types[name])
        elif field.default is attrs.NOTHING:
            raise mapping.at.below(name).fault("is missing", "it has no default")
    return wanted(**given)


def _attrs_object(value: Any, wanted: type[_Class]) -> _Class:  # noqa: ANN401  # cattrs' hook shape
    mapping = _mapping(value)
    lines: dict[str, Any] = {"line": mapping.at.line} if "line" in attrs.fields_dict(wanted) else {}
    return _build(mapping, wanted, **lines)


def _tuple(value: Any, wanted: Any) -> tuple[object, ...]:  # noqa: ANN401
    if not isinstance(value, Listing):
        raise value.at.fault("is no list", "allowed are lines of `- value`, or [value, value]")
    kind = get_args(wanted)[0]
    return tuple(_converter.structure(item, kind) for item in value.items)


def _scalar(value: Value, allowed: str) -> Scalar:
    if isinstance(value, Scalar):
        return value
    kind = "a list" if isinstance(value, Listing) else "a group of keys"
    raise value.at.fault(f"is {kind}", allowed)


def _text(value: Value) -> Scalar:
    """Take text that every reader of YAML takes for text, and that is not empty."""
    scalar = _scalar(value, "allowed is one text")
    strange = scalar.tag != "str" or (scalar.plain and _NUMBER_TO_OTHERS.fullmatch(scalar.text))
    if strange and scalar.tag != "null":
        kind = _KINDS.get(scalar.tag, "a number")
        quoted = f'allowed is text; in quotes it is text: "{scalar.text}"'
        raise scalar.at.fault(f"{scalar.text} without quotes is {kind}", quoted)
    if not scalar.text or scalar.tag == "null":
        raise scalar.at.fault("is empty", "allowed is text")
    return scalar


def _string(value: Any, _wanted: Any) -> str:  # noqa: ANN401
    return TEXTS[value.at.key](_text(value))


def _path(value: Any, _wanted: Any) -> Path:  # noqa: ANN401
    return Path(_string(value, str))


def _network(value: Any, _wanted: Any) -> Network:  # noqa: ANN401
    return network(_text(value))


def _hours(value: Any, _wanted: Any) -> Hours:  # noqa: ANN401
    # With or without quotes: what stands there is read, whatever number YAML makes of 12:00.
    return hours(_scalar(value, HOURS))


def _optional_date(value: Any, _wanted: Any) -> date | None:  # noqa: ANN401
    """Take a date, with or without quotes, or nothing for the default."""
    if isinstance(value, Scalar) and value.tag == "null":
        return None
    return day(_scalar(value, A_DATE))


def _readers(value: Any, _wanted: Any) -> Readers:  # noqa: ANN401
    if isinstance(value, Scalar):
        return readers_word(_text(value))
    names = _tuple(value, tuple[str, ...])
    if not names:
        raise value.at.fault(
            "is an empty list", "allowed are any, anonymous, or a list of user names"
        )
    return tuple(map(str, names))


def _integer(value: Any, _wanted: Any) -> int:  # noqa: ANN401
    bounds = BOUNDS[value.at.key]
    scalar = _scalar(value, str(bounds))
    if not scalar.plain or not _INTEGER.fullmatch(scalar.text):
        raise scalar.at.fault(f"{scalar.text!r} is no whole number", str(bounds))
    if not bounds.least <= int(scalar.text) <= bounds.most:
        raise scalar.at.fault(f"{scalar.text} is out of range", str(bounds))
    return int(scalar.text)


def _optional_integer(value: Any, _wanted: Any) -> int | None:  # noqa: ANN401
    """Take a number, or nothing for the default."""
    if isinstance(value, Scalar) and value.tag == "null":
        return None
    return _integer(value, int)


def _number(value: Any, _wanted: Any) -> float:  # noqa: ANN401
    bounds = BOUNDS[value.at.key]
    scalar = _scalar(value, str(bounds))
    if not scalar.plain or not _NUMBER.fullmatch(scalar.text):
        raise scalar.at.fault(f"{scalar.text!r} is no number", str(bounds))
    if not bounds.least <= float(scalar.text) <= bounds.most:
        raise scalar.at.fault(f"{scalar.text} is out of range", str(bounds))
    return float(scalar.text)


def _truth(value: Any, _wanted: Any) -> bool:  # noqa: ANN401
    scalar = _scalar(value, "allowed are true and false")
    # YAML 1.1 calls eleven more words truth values, which YAML 1.2 calls text.
    if scalar.plain and scalar.text in {"true", "false"}:
        return scalar.text == "true"
    raise scalar.at.fault(f"{scalar.text!r} is no truth value", "allowed are true and false")


def _make_converter() -> cattrs.Converter:
    converter = cattrs.Converter(detailed_validation=False)
    converter.register_structure_hook_func(attrs.has, _attrs_object)
    converter.register_structure_hook_func(_is_tuple, _tuple)
    for kind, hook in _HOOKS:
        converter.register_structure_hook(kind, hook)
    return converter


def _is_tuple(kind: Any) -> bool:  # noqa: ANN401
    return getattr(kind, "__origin__", None) is tuple


_HOOKS: tuple[tuple[Any, Any], ...] = (
    (str, _string),
    (int, _integer),
    (float, _number),
    (bool, _truth),
    (Path, _path),
    (Optional[int], _optional_integer),
    (Optional[date], _optional_date),
    (Network, _network),
    (Hours, _hours),
    (Readers, _readers),
)
_converter = _make_converter()
