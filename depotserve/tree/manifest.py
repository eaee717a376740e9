"""A tree's manifest: `sha256sum` lines, which `sha256sum -c` checks anywhere."""

from __future__ import annotations

import contextlib
import os
import re
import secrets
from binascii import hexlify
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from depotserve.errors import SurroundingsError
from depotserve.home import sync_folder

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

__all__ = ["manifest_line", "replacing", "write_manifest"]

_SPECIAL = re.compile(rb"[\\\n\r]")
_ESCAPES = {b"\\": rb"\\", b"\n": rb"\n", b"\r": rb"\r"}
_PUBLIC = 0o644


def manifest_line(path: bytes, digest: bytes) -> bytes:
    """Write one line as GNU coreutils does, from the value of a digest.

    A path with a backslash, LF or CR is escaped, and a backslash before the digest says so
    (coreutils 9.1 manual, "md5sum invocation").
    """
    if _SPECIAL.search(path) is None:
        return b"%b  %b\n" % (hexlify(digest), path)
    escaped = _SPECIAL.sub(lambda found: _ESCAPES[found[0]], path)
    return b"\\%b  %b\n" % (hexlify(digest), escaped)


def write_manifest(stream: BinaryIO, rows: Iterable[tuple[bytes, bytes]]) -> int:
    """Write a line for each path and digest as they come; give how many there were."""
    count = 0
    for path, digest in rows:
        stream.write(manifest_line(path, digest))
        count += 1
    return count


@contextlib.contextmanager
def replacing(file: Path) -> Iterator[BinaryIO]:
    """Open a stream whose bytes take the place of `file` at the end, whole or not at all.

    Raises SurroundingsError for what the system refuses; a link at `file` stays, and what it
    leads to is replaced.
    """
    target = os.path.realpath(file)
    folder, name = os.path.split(target)
    temporary = os.path.join(folder, f".{name}.{secrets.token_hex(8)}.new")
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC
    try:
        with open(os.open(temporary, flags, 0o600), "wb") as stream:
            yield stream
            stream.flush()
            os.fchmod(stream.fileno(), _PUBLIC)
            os.fsync(stream.fileno())
        os.rename(temporary, target)
        sync_folder(Path(folder))
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise SurroundingsError(reason, where=str(file)) from error
    finally:
        with contextlib.suppress(OSError):
            os.unlink(temporary)
