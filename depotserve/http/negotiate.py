"""Which media type an Accept header prefers (RFC 9110 §12.5.1)."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import attrs

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

__all__ = ["prefers"]

# Browsers send about 150 characters; what stands after this many is not looked at.
_CHARACTERS = 4096

# A quoted-string that never ends runs to the end of the header, so that no character is read twice.
_QUOTED = r'"(?:[^"\\]|\\.)*(?:"|\\?\Z)'
_BETWEEN = {mark: re.compile(rf'(?:[^{mark}"]|{_QUOTED})+', re.DOTALL) for mark in ",;"}
_TOKEN = re.compile(r"[!#$%&'*+.^_`|~0-9A-Za-z-]+")  # RFC 9110 §5.6.2
# §12.4.2, and the bare ".2" that Java's own HTTP client sends.
_WEIGHT = re.compile(r"[01](?:\.[0-9]{0,3})?|\.[0-9]{1,3}")


@attrs.frozen
class _Range:
    main: str
    sub: str
    parameters: frozenset[tuple[str, str]]  # names and values in small letters
    weight: float

    @property
    def precision(self) -> tuple[bool, bool, int]:
        return self.main != "*", self.sub != "*", len(self.parameters)

    def covers(self, offer: _Range) -> bool:
        return (
            self.main in {"*", offer.main}
            and self.sub in {"*", offer.sub}
            and self.parameters <= offer.parameters
        )


def prefers(accept: str | None, offers: Sequence[str]) -> str:
    """Give the one of `offers` that an Accept header likes best; never raise.

    `offers` are media types, at least one; the first is what anybody gets who asks for nothing or
    for nothing that is offered. Each offer has the weight of the most precise media range that
    covers it. Among equal weights an offer that is asked for more precisely wins, then the earlier
    one. A malformed media range is passed over (RFC 9110 §12.5.1).
    """
    if not accept:
        return offers[0]
    ranges = list(_ranges(accept[:_CHARACTERS]))
    best, best_rank = offers[0], _NEVER
    for offer in offers:
        rank = _rank(offer, ranges)
        if rank > best_rank:
            best, best_rank = offer, rank
    return best


_Rank = tuple[float, tuple[bool, bool, int]]
_NEVER: _Rank = (0.0, (True, True, _CHARACTERS))  # what has weight 0 is not acceptable


def _rank(offer: str, ranges: Sequence[_Range]) -> _Rank:
    wanted = _maybe_range(offer)
    if wanted is None:
        return _NEVER
    covering = [(each.precision, each.weight) for each in ranges if each.covers(wanted)]
    precision, weight = max(covering, default=(_NEVER[1], 0.0))
    return weight, precision


def _ranges(accept: str) -> Iterator[_Range]:
    for element in _BETWEEN[","].findall(accept):
        found = _maybe_range(element)
        if found is not None:
            yield found


def _maybe_range(element: str) -> _Range | None:
    media, *rest = (piece.strip(" \t") for piece in _BETWEEN[";"].findall(element) or [""])
    main, _, sub = media.lower().partition("/")
    if not (_TOKEN.fullmatch(main) and _TOKEN.fullmatch(sub)) or (main == "*" and sub != "*"):
        return None
    parameters = _maybe_parameters(rest)
    if parameters is None:
        return None
    weight = parameters.pop("q", "1")
    # Which encoding a client would like says nothing about the type: JSON clients send it often.
    parameters.pop("charset", None)
    if not _WEIGHT.fullmatch(weight):
        return None
    return _Range(main, sub, frozenset(parameters.items()), min(float(weight), 1.0))


def _maybe_parameters(pieces: Sequence[str]) -> dict[str, str] | None:
    found: dict[str, str] = {}
    for piece in filter(None, pieces):
        name, _, value = piece.partition("=")
        if not _TOKEN.fullmatch(name) or not value:
            return None
        found[name.lower()] = _unquoted(value).lower()
    return found


def _unquoted(value: str) -> str:
    if value.startswith('"'):
        return re.sub(r"\\(.)", r"\1", value[1:].rstrip('"'))
    return value
