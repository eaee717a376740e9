"""A line for each request: who took what, and how much of it really left."""

from __future__ import annotations

import asyncio
import json
import logging
import os
import re
import time
from functools import lru_cache
from typing import TYPE_CHECKING, Callable

import attrs

from .dates import MONTHS

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["AccessLog", "Record", "combined_line", "json_line"]

_log = logging.getLogger("depotserve")

_FLUSH_AFTER = 0.1  # seconds that a line may wait for others
_FLUSH_AT = 512  # lines
_MOST_KEPT = 16 * 1024 * 1024  # bytes of lines kept while the file can't be written


@attrs.frozen(slots=True)
class Record:
    """What is known of one request when it has ended."""

    address: str
    user: str  # "" when nobody signed in
    when: float  # seconds since the epoch
    method: str
    target: bytes  # as it came
    version: tuple[int, int]
    status: int
    sent: int  # bytes of the body that left
    seconds: float  # from the end of the request's head to the last byte
    outcome: str  # "whole", "part" (a range), "cut"
    referrer: str
    agent: str
    previous: bool  # signed in with the passphrase before the present one


def combined_line(record: Record) -> str:
    r"""Write the combined log format, then seconds, outcome and the passphrase's age.

    Control characters, quotes and backslashes of a client stand as `\xHH`: no request can
    forge a line or a field.
    """
    version = f"HTTP/{record.version[0]}.{record.version[1]}"
    request = f"{_escape(record.method)} {_target(record)} {version}"
    which = "previous-passphrase" if record.previous else "-"
    return (
        f"{record.address} - {_escape_field(record.user)} [{_local_time(int(record.when))}]"
        f' "{request}" {record.status} {record.sent or "-"}'
        f' "{_escape(_without_userinfo(record.referrer))}" "{_escape(record.agent)}"'
        f" {record.seconds:.3f} {record.outcome} {which}\n"
    )


def json_line(record: Record) -> str:
    """Write one JSON object (RFC 8259) on one line."""
    fields = {
        "time": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(record.when)),
        "address": record.address,
        "user": record.user or None,
        "method": record.method,
        "target": _target(record),
        "version": f"{record.version[0]}.{record.version[1]}",
        "status": record.status,
        "bytes": record.sent,
        "seconds": round(record.seconds, 6),
        "outcome": record.outcome,
        "referrer": _without_userinfo(record.referrer) or None,
        "agent": record.agent or None,
        "previous_passphrase": record.previous,
    }
    return json.dumps(fields, ensure_ascii=True) + "\n"


@lru_cache(maxsize=16)
def _local_time(seconds: int) -> str:
    when = time.localtime(seconds)
    zone = time.strftime("%z", when)
    return (
        f"{when.tm_mday:02d}/{MONTHS[when.tm_mon - 1]}/{when.tm_year:04d}"
        f":{when.tm_hour:02d}:{when.tm_min:02d}:{when.tm_sec:02d} {zone}"
    )


def _target(record: Record) -> str:
    return _without_userinfo(_escape(record.target.decode("utf-8", "surrogateescape")))


# Printable ASCII but for the quote and the backslash: what stands in a line as it came.
_AS_IT_CAME = re.compile(r"[ !#-\[\]-~]*")


def _escape(text: str) -> str:
    if not text:
        return "-"
    return text if _AS_IT_CAME.fullmatch(text) else _escape_bytes(_octets(text))


def _octets(text: str) -> bytes:
    """Give the octets that a field came as; text of another source may hold other surrogates."""
    try:
        return text.encode("utf-8", "surrogateescape")
    except UnicodeEncodeError:
        return text.encode("utf-8", "surrogatepass")


# RFC 3986 §3.2.1: what stands before the "@" of an authority may be a password.
_USERINFO = re.compile(r"(\A[A-Za-z][A-Za-z0-9+.-]*://)[^/?#]*@")


def _without_userinfo(reference: str) -> str:
    return _USERINFO.sub(r"\1", reference) if "@" in reference else reference


_PLAIN = frozenset(range(0x20, 0x7F)) - frozenset(b'"\\')


def _escape_bytes(data: bytes) -> str:
    return "".join(chr(octet) if octet in _PLAIN else f"\\x{octet:02x}" for octet in data)


def _escape_field(text: str) -> str:
    """Keep letters of any script, so that a name can be read, and nothing that ends a field."""
    if not text:
        return "-"
    if text.isalnum():
        return text
    return "".join(
        character
        if character.isprintable() and not character.isspace() and character not in '"\\'
        else "".join(f"\\x{octet:02x}" for octet in _octets(character))
        for character in text
    )


_FORMATS: dict[str, Callable[[Record], str]] = {"combined": combined_line, "json": json_line}


class AccessLog:
    """The log as a file that may be moved away at any time, or as standard error.

    Lines are kept for a tenth of a second and written together; those of a file that can't be
    written are kept, up to a bound, and the fault is reported once.
    """

    def __init__(self, path: Path | None, form: str) -> None:
        self._path = path
        self._format = _FORMATS[form]
        self._lines: list[str] = []
        self._kept = b""  # lines on their way to the file
        self._descriptor = -1
        self._timer: asyncio.TimerHandle | None = None
        self._failing = False
        self.lost = 0  # lines given up because the log could not be written

    def write(self, record: Record) -> None:
        """Take a record in; it is written within a tenth of a second."""
        self._lines.append(self._format(record))
        if len(self._lines) >= _FLUSH_AT:
            self.flush()
        elif self._timer is None:
            self._timer = asyncio.get_running_loop().call_later(_FLUSH_AFTER, self.flush)

    def flush(self) -> None:
        """Write what is kept."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        self._kept += "".join(self._lines).encode("utf-8", "backslashreplace")
        self._lines.clear()
        try:
            while self._kept:
                self._kept = self._kept[os.write(self._open(), self._kept) :]
        except OSError as error:
            self._report(error)
            return
        if self._failing:
            self._failing = False
            _log.warning("the access log is written again; lines lost: %d", self.lost)

    def _open(self) -> int:
        """Give the file at the log's path, opened anew if it was moved away or removed."""
        if self._path is None:
            return 2
        if self._descriptor >= 0 and self._was_moved():
            self._close_file()
        if self._descriptor < 0:
            flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_CLOEXEC
            self._descriptor = os.open(self._path, flags, 0o640)
        return self._descriptor

    def _was_moved(self) -> bool:
        try:
            there = os.stat(str(self._path))
        except FileNotFoundError:
            return True
        return not os.path.samestat(there, os.fstat(self._descriptor))

    def _report(self, error: OSError) -> None:
        if not self._failing:
            self._failing = True
            _log.error("%s: the access log can't be written: %s", self._path, error.strerror)
        if len(self._kept) > _MOST_KEPT:
            self.lost += self._kept.count(b"\n")
            self._kept = b""

    def reopen(self) -> None:
        """Write what is kept to the present file, then open the path anew."""
        self.flush()
        self._close_file()

    def _close_file(self) -> None:
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1

    def close(self) -> None:
        """Write what is kept and close the file."""
        self.flush()
        self._close_file()
