"""The content that cases.md describes: one depot of it serves a whole module of tests."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import harness
import serving

if TYPE_CHECKING:
    from pathlib import Path

ALPHABET = b"abcdefghijklmnopqrstuvwxyz"
MODIFIED = 1704067200  # Mon, 01 Jan 2024 00:00:00 GMT

# The vectors of the section on fixtures, at bcrypt's lowest cost.
HASHES = {
    "s3cret": "$2y$04$abcdefghijklmnopqrstuuLZYjhNQAOdpbzt4WxWlUHjv1wsyH5DG",
    "se:cr:et": "$2y$04$abcdefghijklmnopqrstuuWKM9L6i21cVKJJ7kQLZ04iWQlMaO87C",
    "p%2Bw@x": "$2y$04$abcdefghijklmnopqrstuuYNsYoR2Ib4yPLpoAvrkj6uGuR3MLqry",
    "p\u00e4ssw\u00f6rd": "$2y$04$abcdefghijklmnopqrstuuyx2n0Zzopyr9QuYTMCfOJJOj526QVoC",
    " lead": "$2y$04$abcdefghijklmnopqrstuunOLX2r3elyxm2xpQV4tISvXwt8QqEnW",
    "a" * 72: "$2b$04$abcdefghijklmnopqrstuuBzzIgyKkz7xMWYSzkIjUSnxEQFQ0WNe",
}
APR1 = "$apr1$abcdefgh$M2T3erDstkD7SsE2QQnfH0"  # s3cret


def make(folder: Path) -> Path:
    """Make `folder`/root with the files that every case starts from."""
    root = folder / "root"
    (root / "d").mkdir(parents=True)
    put(root / "f26.bin", ALPHABET)
    put(root / "empty.bin", b"")
    put(root / "x", b"x")
    put(root / "d" / "inner.txt", b"inner")
    return root


def put(file: Path, content: bytes, modified: float = MODIFIED) -> Path:
    """Write a file with a modification time of its own."""
    file.write_bytes(content)
    os.utime(file, (modified, modified))
    return file


def ask(
    depot: harness.RunningDepot, target: str, *fields: str, method: str = "GET", **options: bool
) -> harness.Answer:
    """Put one request to a plain depot, with credentials unless `signed_in` is false."""
    request = harness.get(target, *fields, method=method, **options)
    return harness.answer(serving.ask(depot.port, request).data)
