"""Bytes that nobody would think of, for everything that reads signatures and keys."""

from __future__ import annotations

import hashlib
import io
from typing import TYPE_CHECKING, Any

import issuing
import pytest
import rpm_kit
from changing import SCRIPT, changed
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from signing_kit import check, load, pin, signed_text

from depotserve.tree.authenticity import BrokenError, State
from depotserve.tree.authenticity.armour import blocks
from depotserve.tree.authenticity.cms_structure import signed_data
from depotserve.tree.authenticity.openpgp import signatures_in
from depotserve.tree.authenticity.packets import packets, signature_facts
from depotserve.tree.authenticity.pinned_certificates import read as read_certificates
from depotserve.tree.authenticity.pinned_openpgp import read as read_openpgp
from depotserve.tree.authenticity.rpm_package import read_package

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from signing_kit import Person

pytestmark = pytest.mark.slow

many = settings(
    max_examples=5000,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
some = settings(many, max_examples=500)


def mutated(good: bytes) -> st.SearchStrategy[bytes]:
    """Change, drop, double or insert bytes of something good, or make all of it up."""
    return SCRIPT.map(lambda script: changed(good, script))


def attempt(reader: Callable[[bytes], Any], content: bytes) -> Any:
    """Give what a reader reads, None if it refuses, which it does in one line."""
    try:
        return reader(content)
    except BrokenError as error:
        reason = str(error)
    assert reason
    assert "\n" not in reason
    return None


def _facts(content: bytes) -> None:
    for one in signatures_in(content):
        signature_facts(one.body)


@pytest.mark.parametrize("armour", [(), ("--armor",)])
def test_no_bytes_break_the_readers_of_signatures(armour: tuple[str, ...], vendor: Person) -> None:
    good = vendor.sign(b"a list\n", *armour)

    @many
    @given(mutated(good))
    def run(content: bytes) -> None:
        for reader in (lambda one: list(blocks(one)), lambda one: list(packets(one)), _facts):
            attempt(reader, content)

    run()


def test_no_bytes_break_the_reader_of_clear_signed_text(vendor: Person) -> None:
    @many
    @given(mutated(vendor.clear_sign(b"- a list\n-- of parts\n")))
    def run(content: bytes) -> None:
        text = attempt(signed_text, content)
        if text is not None:
            assert content.startswith(b"-----BEGIN PGP SIGNED MESSAGE-----")
            assert text.endswith(b"\n") or not text

    run()


def test_no_bytes_break_the_readers_of_keys(vendor: Person, builder: Person) -> None:
    good = builder.public(armour=False) + vendor.public(armour=False)

    @many
    @given(mutated(good) | mutated(vendor.public()))
    def run(content: bytes) -> None:
        found = attempt(lambda one: read_openpgp(one, "plant", "plant.asc"), content or b"x")
        assert all(len(one.pinned.fingerprint) == 40 for one in found or ())

    run()


def test_no_bytes_break_the_reader_of_certificates() -> None:
    made = issuing.issue("release desk")

    @many
    @given(mutated(made.pem) | mutated(made.der))
    def run(content: bytes) -> None:
        found = attempt(lambda one: read_certificates(one, "plant", "plant.pem"), content)
        assert found is None or found[0].content

    run()


def test_no_bytes_break_the_reader_of_packages(builder: Person) -> None:
    main = rpm_kit.main_header(hashlib.sha256(b"payload").hexdigest())
    good = rpm_kit.package({268: builder.sign(main), 1002: b"\x89\x01"}, main, b"payload")

    @many
    @given(mutated(good))
    def run(content: bytes) -> None:
        found = attempt(lambda one: read_package(io.BytesIO(one)), content)
        assert found is None or content.startswith(found.before + found.header)

    run()


def test_no_bytes_break_the_reader_of_cms(tmp_path: Path) -> None:
    @many
    @given(mutated(_cms(tmp_path)))
    def run(content: bytes) -> None:
        found = attempt(signed_data, content)
        assert found is None or found.signers

    run()


def _cms(tmp_path: Path) -> bytes:
    signer = issuing.issue("release desk")
    (tmp_path / "signer.pem").write_bytes(signer.pem + signer.key_pem)
    (tmp_path / "list").write_bytes(b"a list\n")
    words = ["cms", "-sign", "-binary", "-in", tmp_path / "list"]
    return issuing.openssl(*words, "-signer", tmp_path / "signer.pem", "-outform", "DER")


def test_no_changed_signature_vouches_for_a_changed_list(tmp_path: Path, vendor: Person) -> None:
    tree = tmp_path / "tree"
    tree.mkdir()
    (tree / "list").write_bytes(b"a false list\n")
    keys = load(pin(tmp_path / "keys", plant_asc=vendor.public()), tree)

    @some
    @given(mutated(vendor.sign(b"a list\n")) | mutated(vendor.sign(b"a list\n", "--armor")))
    def run(content: bytes) -> None:
        (tree / "list.sig").write_bytes(content)
        found = check(tree, keys).get("list.sig")
        assert found is None or (found.state is not State.GOOD and "\n" not in found.detail)

    run()
