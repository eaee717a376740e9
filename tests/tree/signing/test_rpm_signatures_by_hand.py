"""What a signature of an rpm package covers, in packages that no tool would write."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import rpm_kit
from signing_kit import check, load, pin

from depotserve.tree.authenticity import State

if TYPE_CHECKING:
    from pathlib import Path

    from signing_kit import Person

    from depotserve.tree.authenticity import Verdict

PAYLOAD = b"the payload" * 100_000
DIGEST = hashlib.sha256(PAYLOAD).hexdigest()
RSAHEADER, PGP = 268, 1002


def verdict(tmp_path: Path, person: Person, content: bytes) -> Verdict | None:
    tree = tmp_path / "tree"
    tree.mkdir(exist_ok=True)
    (tree / "pump.rpm").write_bytes(content)
    keys = load(pin(tmp_path / "keys", plant_asc=person.public()), tree)
    return check(tree, keys).get("pump.rpm")


def test_a_signed_header_vouches_for_the_payload_by_a_strong_digest_alone(
    tmp_path: Path, builder: Person
) -> None:
    sha1 = hashlib.sha1(PAYLOAD).hexdigest()  # noqa: S324
    cases = [
        (rpm_kit.main_header(DIGEST), State.GOOD),
        (rpm_kit.main_header(hashlib.sha512(PAYLOAD).hexdigest(), algorithm=10), State.GOOD),
        (rpm_kit.main_header(hashlib.sha256(b"another").hexdigest()), State.BAD),
        (rpm_kit.main_header(sha1, algorithm=2), State.WEAK),
        (rpm_kit.main_header(None), State.WEAK),
        (rpm_kit.main_header("no digest"), State.WEAK),
        (rpm_kit.main_header(DIGEST, algorithm=99), State.WEAK),
    ]
    for main, state in cases:
        content = rpm_kit.package({RSAHEADER: builder.sign(main)}, main, PAYLOAD)
        found = verdict(tmp_path, builder, content)
        assert found.state is state
        assert found.sha256 == hashlib.sha256(content).digest()


def test_a_signature_over_header_and_payload_needs_no_digest(
    tmp_path: Path, builder: Person, stranger: Person
) -> None:
    main = rpm_kit.main_header(None)
    whole = builder.sign(main + PAYLOAD)
    assert (
        verdict(tmp_path, builder, rpm_kit.package({PGP: whole}, main, PAYLOAD)).state is State.GOOD
    )
    both = {RSAHEADER: builder.sign(main), PGP: whole}
    assert verdict(tmp_path, builder, rpm_kit.package(both, main, PAYLOAD)).state is State.GOOD
    changed = rpm_kit.package(both, main, PAYLOAD + b"x")
    assert verdict(tmp_path, builder, changed).state is State.BAD
    # Whose signature covers the payload matters: here it is a stranger's.
    mixed = {RSAHEADER: builder.sign(main), PGP: stranger.sign(main + PAYLOAD)}
    found = verdict(tmp_path, builder, rpm_kit.package(mixed, main, PAYLOAD))
    assert found.state is State.WEAK


def test_a_weak_or_absent_signature_says_so(tmp_path: Path, builder: Person) -> None:
    main = rpm_kit.main_header(DIGEST)
    weak = builder.sign(main, "--digest-algo", "SHA1")
    found = verdict(tmp_path, builder, rpm_kit.package({RSAHEADER: weak}, main, PAYLOAD))
    assert found.state is State.WEAK
    assert verdict(tmp_path, builder, rpm_kit.package({}, main, PAYLOAD)) is None
    broken = rpm_kit.package({RSAHEADER: b"\x89\x01"}, main, PAYLOAD)
    assert verdict(tmp_path, builder, broken).state is State.UNREADABLE
