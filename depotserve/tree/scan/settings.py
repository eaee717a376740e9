"""The settings of scanning: what a scanner's exit statuses mean, and what is waited for."""

from __future__ import annotations

import re
import shlex
from typing import TYPE_CHECKING, Any, Callable

import attrs

from depotserve.config.source import Listing, Scalar, Value, mapping_of, read
from depotserve.home import read_bounded

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["FILE", "Settings", "read_settings", "split"]

FILE = "{file}"
_MOST_BYTES = 64 * 1024  # of the settings file; the sample with its comments has three
_NUMBER = re.compile(r"0|[1-9][0-9]{0,17}")


@attrs.frozen
class Settings:
    """Everything that a settings file may say, with what counts where it says nothing."""

    clean: tuple[int, ...] = (0,)
    infected: tuple[int, ...] = (1,)
    version: tuple[str, ...] = ()  # the command that prints engine and signatures; () for none
    largest: int | None = None  # bytes
    # A daemon commonly gives a file two minutes, and a command may load its signatures for one.
    seconds: int = 300


def read_settings(file: Path) -> Settings:
    """Read a settings file.

    Raises CallerError that names file, line and key, SurroundingsError if it cannot be read.
    """
    top = mapping_of(read(read_bounded(file, _MOST_BYTES), name=str(file)), ("format", *_KEYS))
    if "format" not in top.entries:
        raise top.at.below("format").fault("is missing", "allowed is 1")
    _number(top.entries.pop("format"), 1, 1)
    given: dict[str, Any] = {}
    for key, value in top.entries.items():
        given.update(_KEYS[key](value))
    return Settings(**given)


def split(text: str) -> tuple[str, ...]:
    """Take a command apart as a shell would, without any other meaning of a shell's.

    Raises ValueError for a quotation that is not closed, and for no word at all.
    """
    words = tuple(shlex.split(text))
    if not words or not words[0] or "\0" in text:
        raise ValueError("names no program")
    return words


def _number(value: Value, least: int, most: int) -> int:
    allowed = f"allowed is {least}" if least == most else f"allowed is {least} to {most}"
    if not isinstance(value, Scalar) or not value.plain or not _NUMBER.fullmatch(value.text):
        raise value.at.fault("is no whole number", allowed)
    if not least <= int(value.text) <= most:
        raise value.at.fault(f"{value.text} is out of range", allowed)
    return int(value.text)


def _statuses(value: Value) -> dict[str, tuple[int, ...]]:
    both = mapping_of(value, ("clean", "infected"))
    given = {name: _status_list(entry) for name, entry in both.entries.items()}
    clean = given.get("clean", Settings().clean)
    twice = sorted(set(clean) & set(given.get("infected", Settings().infected)))
    if twice:
        raise value.at.fault(f"{twice[0]} means both clean and infected", "allowed is one of them")
    return given


def _status_list(value: Value) -> tuple[int, ...]:
    if not isinstance(value, Listing) or not value.items:
        raise value.at.fault("is no list", "allowed are exit statuses such as [0]")
    return tuple(_number(item, 0, 255) for item in value.items)


def _version(value: Value) -> dict[str, tuple[str, ...]]:
    if not isinstance(value, Scalar) or value.tag != "str":
        raise value.at.fault("is no text", "allowed is a command such as 'scanner --version'")
    try:
        words = split(value.text)
    except ValueError as error:
        raise value.at.fault(f"is no command: {error}") from error
    if any(FILE in word for word in words):
        raise value.at.fault("asks about a file", "allowed is a command that asks for the version")
    return {"version": words}


# Each setting and how it is read. A day is the longest that anybody would wait for one file.
_KEYS: dict[str, Callable[[Value], dict[str, Any]]] = {
    "statuses": _statuses,
    "version": _version,
    "largest": lambda value: {"largest": _number(value, 1, 10**15)},
    "seconds": lambda value: {"seconds": _number(value, 1, 86400)},
}
