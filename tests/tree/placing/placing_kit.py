"""A tree with lists, files fetched by hand, and `depotserve tree place` run on them."""

from __future__ import annotations

import hashlib
import json
import os
from typing import TYPE_CHECKING, Any

import attrs
import harness

if TYPE_CHECKING:
    import subprocess
    from collections.abc import Mapping
    from pathlib import Path

PUMP = b"firmware of the intake pump, release 7\n" * 40
VALVE = b"valve table\n" * 90


def sums(named: Mapping[str | bytes, bytes], digest: str = "sha256") -> bytes:
    """Write the checksum list of some contents, in the form of `sha256sum` with plain names."""
    return b"".join(
        f"{hashlib.new(digest, content).hexdigest()}  ".encode() + os.fsencode(name) + b"\n"
        for name, content in named.items()
    )


def metalink(sizes: Mapping[str, int | None]) -> bytes:
    """Write a Metalink (RFC 5854 section 4.2.14) that states sizes alone, or not even those."""
    files = "".join(
        f'<file name="{name}">{"" if size is None else f"<size>{size}</size>"}'
        "<url>https://depot.plant.example/f</url></file>"
        for name, size in sizes.items()
    )
    return f'<metalink xmlns="urn:ietf:params:xml:ns:metalink">{files}</metalink>'.encode()


def fill(root: Path, files: Mapping[str, bytes]) -> Path:
    """Make a folder of files."""
    for name, content in files.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_bytes(content)
    root.mkdir(parents=True, exist_ok=True)
    return root


@attrs.frozen
class Ended:
    """What a run came to."""

    status: int
    lines: list[str]
    errors: list[str]


def place(root: Path, *arguments: str | bytes | Path, **options: Any) -> Ended:
    """Run `depotserve tree place`."""
    names = [os.fsdecode(one) for one in arguments]
    return ended(harness.run("tree", "place", root, *names, **options))


def ended(done: subprocess.CompletedProcess[bytes]) -> Ended:
    """Take a finished run apart."""
    assert b"Traceback" not in done.stderr, done.stderr
    return Ended(
        done.returncode, done.stdout.decode().splitlines(), done.stderr.decode().splitlines()
    )


def faults(root: Path, state: Path, *options: str | Path) -> set[tuple[str, str]]:
    """Give kind and path of each fault that `depotserve tree check` finds."""
    done = harness.run("tree", "check", root, "--state", state, "--json", *options)
    found = json.loads(done.stdout)["findings"]
    return {(one["kind"], one["path"]) for one in found if one["fault"]}


def identity(file: Path) -> tuple[int, ...]:
    """Tell one unchanged file from any other; reading it changes nothing of this."""
    found = os.lstat(file)
    return found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns, found.st_mode


def names(root: Path) -> set[str]:
    """List all that lies in a tree, folders too."""
    return {str(one.relative_to(root)) for one in root.rglob("*")}
