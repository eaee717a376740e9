"""What the file name of a checksum list says: that it is one, of which digest, and beside what."""

from __future__ import annotations

import re

import attrs

from depotserve.tree.digests import Algorithm, by_size, named

__all__ = ["ListName", "looks_like_list", "recognise"]

_ALGORITHM = (
    rb"(?:md5|sm3|sha-?(?:1|2-?(?:224|256|384|512)|224|256|384|512|3-(?:224|256|384|512))"
    rb"|b2|blake2(?:b(?:-(?:128|160|224|256|384|512))?|s(?:-256)?)?)"
)
_SUMS = rb"[-_.]?(?:check)?sums?"
_TEXT = rb"(?:\.(?:txt|list|lst))?"
# What every such name holds. It is asked first, of every file of a tree: it takes a sixth of the
# time of the expression below, and a fifth of that of one for either case.
_HINT = re.compile(rb"[msbdh](?:d5|m3|ha|2|lake2|um|igest|ash)")
# Of a name in lower case. Its alternatives: a file's own list,
# named for it; a folder's, by the digest that it has; a folder's, by a word for digests at large.
_NAMES = re.compile(
    rb"(?:(?P<beside>.+)\.(?:(?P<own>%(alg)b)(?:%(sums)b)?|checksums?|digests?|sums?)%(text)b"
    rb"|(?:.*[-_.])?(?P<sums>%(alg)b)%(sums)b(?:[-_][^.]*)?%(text)b"
    rb"|(?:.*[-_])?(?P<text>%(alg)b)\.txt"
    rb"|(?P<bare>md5|sha-?(?:1|256|384|512))"
    rb"|checksums?\.(?P<tail>%(alg)b)-.*"
    rb"|(?:.*[-_.])?(?:check|hash|sha)sums?(?:-?(?:1|224|256|384|512))?%(text)b"
    rb"|(?:digests?|hash(?:es)?|sums)\.txt|digests|hashes)(?P<signed>\.asc)?"
    % {b"alg": _ALGORITHM, b"sums": _SUMS, b"text": _TEXT},
    re.DOTALL,
)

# Names that programs and other texts have as well.
_VAGUE = re.compile(
    rb"%b(?:sum)?|shasum|(?:digests?|hash(?:es)?|sums)\.txt|digests|hashes|.+\.sums?" % _ALGORITHM,
    re.DOTALL,
)


@attrs.frozen
class ListName:
    """What a list's name says of it."""

    beside: bytes = b""  # the file that a lone digest in it is of; empty for none
    says: str = ""  # the algorithm, as it is written; empty: each digest's length tells
    armoured: bool = False  # it may be a signature alone instead
    is_vague: bool = False  # it may be no list at all
    algorithm: Algorithm | None = None  # None also where what it says is not known here

    def algorithm_of(self, digits: int) -> Algorithm | None:
        """Give the algorithm of a digest of so many digits; None if there is none of them."""
        if not self.says:
            return by_size(digits // 2) if digits % 2 == 0 else None
        if self.algorithm is not None and self.algorithm.name == "blake2b":
            return named(f"blake2b-{4 * digits}")  # b2sum shortens, and only the length tells
        return self.algorithm


def looks_like_list(name: bytes) -> bool:
    """Tell whether a file of that name is taken for a checksum list."""
    lower = name.lower()
    return _HINT.search(lower) is not None and _NAMES.fullmatch(lower) is not None


def recognise(name: bytes) -> ListName:
    """Read the name of a list, whatever it is."""
    found = _NAMES.fullmatch(name.lower())
    if found is None:
        return ListName()
    written = next(filter(None, found.group("own", "sums", "text", "bare", "tail")), b"")
    says = written.decode("ascii")
    known = named(re.sub("^blake2(?![bs])", "blake2b", says)) if says else None
    return ListName(
        name[: len(found["beside"] or b"")],
        says,
        armoured=bool(found["signed"]),
        is_vague=_VAGUE.fullmatch(name.lower()) is not None,
        algorithm=known,
    )
