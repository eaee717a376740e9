"""JSON (RFC 8259) within bounds, refusing what two readers could read differently."""

from __future__ import annotations

import json
from typing import Any, BinaryIO

from depotserve.tree.expectations.listed import UnusableError

__all__ = ["BadJsonError", "parse", "read_whole"]


class BadJsonError(Exception):
    """What is no JSON, or has a key twice; the text says what."""


def parse(content: bytes) -> Any:  # noqa: ANN401  # what JSON holds
    """Read a document in UTF-8, with a byte order mark or without.

    Raises BadJsonError, also for a key that is given twice, for NaN, and for what is nested or
    written too long for Python to take.
    """
    try:
        return json.loads(
            content.decode("utf-8-sig"), object_pairs_hook=_pairs, parse_constant=_constant
        )
    except json.JSONDecodeError as error:
        raise BadJsonError(f"line {error.lineno}: no JSON ({error.msg})") from error
    except UnicodeDecodeError as error:
        raise BadJsonError("no UTF-8") from error
    except RecursionError as error:
        raise BadJsonError("nested too deep") from error
    except ValueError as error:  # an integer of thousands of digits
        raise BadJsonError("a number is too long") from error


def read_whole(stream: BinaryIO, most: int) -> bytes:
    """Read a stream to its end; raises UnusableError if it holds more than `most` bytes."""
    content = stream.read(most + 1)
    if len(content) > most:
        raise UnusableError(f"longer than {most} bytes")
    return content


def _pairs(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        raise BadJsonError("a key is given twice")
    return found


def _constant(name: str) -> None:
    raise BadJsonError(f"{name} is no JSON")
