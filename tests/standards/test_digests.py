"""Rows of digests.json: SHA-256 (FIPS 180-4, NIST CAVS) and Repr-Digest (RFC 9530)."""

from __future__ import annotations

import base64
import json
import subprocess
from pathlib import Path
from typing import TYPE_CHECKING, Any

import harness
import pytest

from depotserve.probe.digests import Hasher, parse_repr_digest
from depotserve.tree.digests import named

if TYPE_CHECKING:
    from collections.abc import Callable

WHOLE: dict[str, Any] = json.loads(
    Path(__file__).with_name("digests.json").read_text(encoding="utf-8")
)
FIELDS = WHOLE["rfc9530"]


def message(row: dict[str, Any]) -> bytes:
    if row.get("repeat"):
        return row["repeat"]["octet"].encode() * row["repeat"]["count"]
    if "message_hex" in row:
        return bytes.fromhex(row["message_hex"])
    return base64.b64decode(row["message_base64"])


SHA256 = [
    *((message(row), row["sha256"]) for row in WHOLE["sha256_cavs"]["rows"]),
    *((message(row), row["sha256"]) for row in WHOLE["sha256_cavs_long"]["rows"]),
    *((message(row), row["sha256"]) for row in WHOLE["sha256_known"]),
]


def in_one_piece(content: bytes, _folder: Path) -> str:
    return of_pieces([content])


def byte_by_byte(content: bytes, _folder: Path) -> str:
    pieces = [content[at : at + 1] for at in range(min(len(content), 4096))]
    return of_pieces([*pieces, content[4096:]])


def of_pieces(pieces: list[bytes]) -> str:
    algorithm = named("SHA2-256")
    assert algorithm is not None
    running = algorithm.new()
    for piece in pieces:
        running.update(piece)
    return running.hexdigest()


def by_the_probe(content: bytes, _folder: Path) -> str:
    hasher = Hasher("")
    hasher.take(content)
    return hasher.digests().wire["sha-256"]


@pytest.mark.parametrize("way", [in_one_piece, byte_by_byte, by_the_probe])
@pytest.mark.parametrize(("content", "digest"), SHA256)
def test_sha256_gives_the_published_value(
    way: Callable[[bytes, Path], str], content: bytes, digest: str, tmp_path: Path
) -> None:
    assert way(content, tmp_path) == digest


def test_a_tree_of_all_published_messages_gets_their_values(tmp_path: Path) -> None:
    tree = tmp_path / "tree"
    tree.mkdir()
    for number, (content, _) in enumerate(SHA256):
        (tree / f"{number:03}").write_bytes(content)
    made = harness.succeed("tree", "manifest", tree, "--state", tmp_path / "state").decode()
    assert made.splitlines() == [
        f"{digest}  {number:03}" for number, (_, digest) in enumerate(SHA256)
    ]


@pytest.mark.parametrize("row", FIELDS, ids=lambda row: f"{row['source']} {row['algorithm']}")
def test_a_field_of_rfc_9530_is_read_and_is_the_digest_of_its_content(row: dict[str, Any]) -> None:
    content = base64.b64decode(row["content_base64"])
    found = parse_repr_digest(row["field"])
    hasher = Hasher("")
    hasher.take(content)
    assert found == {row["algorithm"]: hasher.digests().wire[row["algorithm"]]}
    assert found == {row["algorithm"]: base64.b64decode(row["value"]).hex()}


@pytest.mark.parametrize("row", FIELDS, ids=lambda row: f"{row['source']} {row['algorithm']}")
def test_our_name_of_the_algorithm_is_found_by_its_name_in_a_field(row: dict[str, Any]) -> None:
    content = base64.b64decode(row["content_base64"])
    algorithm = named(row["algorithm"])
    assert algorithm is not None
    running = algorithm.new()
    running.update(content)
    assert running.digest() == base64.b64decode(row["value"])


def test_the_misprint_that_the_rows_note_is_no_digest() -> None:
    # rfc9530_notes: "several printed examples carry '==' where 32 octets need one '='".
    good = FIELDS[0]["field"]
    assert good.endswith("g=:")
    assert parse_repr_digest(good.replace("g=:", "==:")) == {}
    assert parse_repr_digest(good)


def test_openssl_agrees_about_every_message(tmp_path: Path) -> None:
    openssl = harness.need("openssl")
    for number, (content, _) in enumerate(SHA256):
        (tmp_path / f"{number:03}").write_bytes(content)
    names = [f"{number:03}" for number in range(len(SHA256))]
    said = subprocess.run(
        [openssl, "dgst", "-sha256", "-r", *names],
        capture_output=True,
        cwd=tmp_path,
        check=True,
        timeout=60,
    ).stdout.decode()
    assert [line.split(" ")[0] for line in said.splitlines()] == [one for _, one in SHA256]
