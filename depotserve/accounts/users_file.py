"""The users file: one `name:hash` a line. Reading and editing are bytes to values to bytes.

A byte order mark, CR LF line ends, blanks at the end of a line, blank lines and comments (`#`) are
taken and kept. Everything else that is not `name:hash` refuses the whole file: a file that was cut
or damaged must never be taken for one that knows fewer or other passphrases.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import attrs

from depotserve.accounts import hashes, names
from depotserve.errors import CallerError, DepotError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from depotserve.accounts.hashes import Hash

__all__ = ["HEADER", "LIMIT", "Entry", "Fault", "amend", "parse", "read"]

LIMIT = 4 * 1024 * 1024  # bytes; some 50,000 users
HEADER = b"# Users of this depot: name:hash, one a line. Change it with depotserve user.\n"
_BOM = b"\xef\xbb\xbf"
_ALLOWED = "a line is name:hash, blank, or a comment that begins with #"


@attrs.frozen
class Entry:
    """A user's line, counted from 1."""

    line: int
    name: str
    hash: Hash


@attrs.frozen
class Fault:
    """What is wrong with a line, counted from 1; never quotes what could be a secret."""

    line: int
    what: str
    allowed: str = _ALLOWED

    def error(self, name: str) -> CallerError:
        """Make the error that names the file and the line."""
        return CallerError(self.what, where=f"{name}:{self.line}", allowed=self.allowed)


def read(content: bytes) -> tuple[list[Entry], list[Fault]]:
    """Read every line of a users file: its users in order, and every fault in it."""
    entries: list[Entry] = []
    faults: list[Fault] = []
    lines: dict[str, int] = {}
    for number, line in _meaningful(content):
        found = _entry(number, line)
        if isinstance(found, Entry) and found.name in lines:
            what = f"{found.name} stands on line {lines[found.name]} already"
            found = Fault(number, what, "one line a user")
        if isinstance(found, Fault):
            faults.append(found)
        else:
            lines[found.name] = number
            entries.append(found)
    return entries, faults


def parse(content: bytes, *, name: str) -> dict[str, Hash]:
    """Read a users file: names to hashes, in the file's order.

    `name` is what errors call the file. Raises CallerError for the first fault, as
    `NAME:LINE: what; allowed`, and for a file that is empty or over 4 MiB.
    """
    if not content.replace(_BOM, b"", 1).strip():
        raise CallerError("the file is empty", where=name, allowed="at least a comment is expected")
    if len(content) > LIMIT:
        raise CallerError(f"the file is over {LIMIT} bytes", where=name)
    entries, faults = read(content)
    if faults:
        raise faults[0].error(name)
    return {entry.name: entry.hash for entry in entries}


def _meaningful(content: bytes) -> Iterator[tuple[int, bytes]]:
    """Yield the lines that are neither blank nor comments, without their ends."""
    text = content.removeprefix(_BOM)
    for number, raw in enumerate(text.split(b"\n"), 1):
        line = raw.rstrip(b" \t\r")
        if line and not line.lstrip(b" \t").startswith(b"#"):
            yield number, line


def _entry(number: int, line: bytes) -> Entry | Fault:
    try:
        text = line.decode("utf-8")
    except UnicodeDecodeError:
        return Fault(number, "the line is not UTF-8")
    name, colon, rest = text.partition(":")
    if not colon:
        return Fault(number, "the line has no colon")
    fault = names.fault_of(name)
    if fault:
        return Fault(number, fault)
    found = hashes.recognise(rest)
    if found is None or (found.cost or 0) > hashes.DEAREST:
        return Fault(number, *_why_not(rest, found))
    return Entry(number, name, found)


def _why_not(text: str, found: Hash | None) -> tuple[str, str]:
    if found is not None:
        return f"bcrypt cost {found.cost} takes minutes to days", f"cost 4 to {hashes.DEAREST}"
    if hashes.recognise(text.partition(":")[0]):
        return "there is more after the hash", _ALLOWED
    return "no hash of a kind that is taken", hashes.ALLOWED


def amend(content: bytes, changes: Mapping[str, Hash | None]) -> bytes:
    """Set or, with None, remove the hashes of users; all other bytes stay as they are.

    A known user's line keeps its place, blanks and line end; a new one is added at the end with
    the file's own line end. Raises CallerError if the file has a fault, or if the result would
    not read back as meant.
    """
    old = parse(content, name="users") if content.strip() else {}
    lines = {entry.line: entry.name for entry in read(content)[0]}
    kept = [
        _amended(raw, changes[lines[number]]) if lines.get(number) in changes else raw
        for number, raw in enumerate(content.split(b"\n"), 1)
    ]
    text = b"\n".join(line for line in kept if line is not None)
    fresh = {name: new for name, new in changes.items() if new and name not in old}
    result = _appended(text, fresh, _line_end(content)) or HEADER
    _require_meant(result, old, changes)
    return result


def _amended(raw: bytes, new: Hash | None) -> bytes | None:
    if new is None:
        return None
    name, _, rest = raw.partition(b":")
    end = rest[len(rest.rstrip(b" \t\r")) :]
    return name + b":" + new.text.encode("ascii") + end


def _line_end(content: bytes) -> bytes:
    first, newline, _ = content.partition(b"\n")
    return b"\r\n" if newline and first.endswith(b"\r") else b"\n"


def _appended(text: bytes, fresh: Mapping[str, Hash], end: bytes) -> bytes:
    lines = [f"{name}:{new.text}".encode() + end for name, new in fresh.items()]
    if lines and text and not text.endswith(b"\n"):
        text += end
    return text + b"".join(lines)


def _require_meant(
    result: bytes, old: Mapping[str, Hash], changes: Mapping[str, Hash | None]
) -> None:
    merged: dict[str, Hash | None] = {**old, **changes}
    meant = {name: known for name, known in merged.items() if known}
    if parse(result, name="users") != meant:
        raise DepotError("the change would not read back as meant", where="users")
