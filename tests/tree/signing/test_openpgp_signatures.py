"""OpenPGP signatures over files; gpgv itself, run as a person would, is the reference."""

from __future__ import annotations

import hashlib
import shutil
from typing import TYPE_CHECKING

import pytest
import signing_kit
from signing_kit import THEN, check, gpgv, load, pin

from depotserve.errors import SurroundingsError
from depotserve.tree.authenticity import State, Verdict, programs

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from signing_kit import Person

LIST = b"".join(
    b"%s  pump-%d.bin\n" % (hashlib.sha256(b"%d" % number).hexdigest().encode(), number)
    for number in range(5)
)


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    (tmp_path / "tree").mkdir()
    return tmp_path / "tree"


def verdict(
    tree: Path, tmp_path: Path, key: bytes, signature: bytes, content: bytes = LIST
) -> Verdict | None:
    (tree / "SHA256SUMS").write_bytes(content)
    (tree / "SHA256SUMS.sig").write_bytes(signature)
    keys = load(pin(tmp_path / "keys", plant_asc=key), tree)
    return check(tree, keys)["SHA256SUMS.sig"]


@pytest.mark.parametrize("who", ["vendor", "builder"])
@pytest.mark.parametrize("armour", [(), ("--armor",)])
def test_a_signature_by_a_pinned_key_is_good_and_names_vendor_key_and_bytes(
    who: str, armour: tuple[str, ...], tree: Path, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    somebody = request.getfixturevalue(who)
    signature = somebody.sign(LIST, *armour)
    found = verdict(tree, tmp_path, somebody.public(), signature)
    assert (found.state, found.vendor) == (State.GOOD, "plant")
    assert found.fingerprint == somebody.fingerprint
    assert found.sha256 == hashlib.sha256(LIST).digest()
    words = gpgv([somebody.public(armour=False)], signature, LIST, tmp_path / "gpgv")
    assert {"GOODSIG", "exit 0"} <= words


def test_one_changed_byte_makes_a_signature_bad(tree: Path, tmp_path: Path, vendor: Person) -> None:
    signature, other = vendor.sign(LIST), LIST.replace(b"pump-3", b"pump-4")
    found = verdict(tree, tmp_path, vendor.public(), signature, other)
    assert (found.state, found.vendor, found.detail) == (State.BAD, "plant", "")
    assert "BADSIG" in gpgv([vendor.public(armour=False)], signature, other, tmp_path / "gpgv")


def test_a_signature_by_a_key_that_is_not_pinned_says_which(
    tree: Path, tmp_path: Path, vendor: Person, stranger: Person
) -> None:
    signature = stranger.sign(LIST)
    found = verdict(tree, tmp_path, vendor.public(), signature)
    assert (found.state, found.vendor, found.sha256) == (State.UNKNOWN_KEY, None, None)
    assert found.fingerprint == stranger.fingerprint[-16:]
    assert "NO_PUBKEY" in gpgv([vendor.public(armour=False)], signature, LIST, tmp_path / "gpgv")


def test_a_key_that_has_expired_says_so(tree: Path, tmp_path: Path, expired: Person) -> None:
    signature = expired.sign(LIST, "--faked-system-time", f"{THEN}!")
    found = verdict(tree, tmp_path, expired.public(), signature)
    assert (found.state, found.vendor) == (State.EXPIRED_KEY, "plant")
    assert "EXPKEYSIG" in gpgv([expired.public(armour=False)], signature, LIST, tmp_path / "gpgv")


def test_a_signature_that_has_expired_says_so(tree: Path, tmp_path: Path, gnupg_home: Path) -> None:
    old = signing_kit.person(gnupg_home, "old", at=THEN)
    options = ["--faked-system-time", f"{THEN}!", "--default-sig-expire", "1d"]
    signature = old.sign(LIST, *options)
    found = verdict(tree, tmp_path, old.public(), signature)
    assert (found.state, found.vendor) == (State.EXPIRED_SIGNATURE, "plant")
    assert "EXPSIG" in gpgv([old.public(armour=False)], signature, LIST, tmp_path / "gpgv")


def test_a_revoked_key_says_so(tree: Path, tmp_path: Path, revoked: Person) -> None:
    before = revoked.public()
    try:
        signature = revoked.sign(LIST)
    except AssertionError:  # another test has revoked it
        pytest.fail("sign before revoking")
    assert verdict(tree, tmp_path, before, signature).state is State.GOOD
    revoked.revoke()
    found = verdict(tree, tmp_path, revoked.public(), signature)
    assert (found.state, found.vendor) == (State.REVOKED_KEY, "plant")
    assert "REVKEYSIG" in gpgv([revoked.public(armour=False)], signature, LIST, tmp_path / "gpgv")
    assert load(tmp_path / "keys", tree).describe()[0]["revoked"] is True


def test_a_revocation_counts_wherever_it_stands_in_the_file_of_keys(
    tree: Path, tmp_path: Path, vendor: Person, gnupg_home: Path
) -> None:
    left = signing_kit.person(gnupg_home, "leaver")
    signature, key, end = left.sign(LIST), left.public(), left.revocation()
    left.revoke()  # gpg itself puts the two together
    ring = left.public(armour=False)
    assert "REVKEYSIG" in gpgv([ring], signature, LIST, tmp_path / "gpgv")
    for keys in (key + end, key + vendor.public() + end, vendor.public() + key + end):
        assert verdict(tree, tmp_path, keys, signature).state is State.REVOKED_KEY
        described = load(tmp_path / "keys", tree).describe()
        revoked = {row["fingerprint"]: row["revoked"] for row in described}
        assert revoked[left.fingerprint] is True
        assert revoked.get(vendor.fingerprint, False) is False
    assert verdict(tree, tmp_path, keys, vendor.sign(LIST)).state is State.GOOD


def test_a_signature_from_the_future_blames_the_clock(
    tree: Path, tmp_path: Path, gnupg_home: Path
) -> None:
    later = signing_kit.person(gnupg_home, "later", at="20600101T000000")
    signature = later.sign(LIST, "--faked-system-time", "20600102T000000!")
    assert verdict(tree, tmp_path, later.public(), signature).state is State.TOO_EARLY


@pytest.mark.parametrize("digest", ["SHA1", "MD5", "RIPEMD160"])
def test_a_signature_over_a_weak_digest_authenticates_nothing(
    digest: str, tree: Path, tmp_path: Path, builder: Person
) -> None:
    options = ["--digest-algo", digest, "--allow-weak-digest-algos"]
    found = verdict(tree, tmp_path, builder.public(), builder.sign(LIST, *options))
    assert found.state is State.WEAK
    assert "digest" in found.detail


def test_two_signatures_in_one_file_need_one_pinned_key_and_no_bad_one(
    tree: Path, tmp_path: Path, vendor: Person, stranger: Person, builder: Person
) -> None:
    both = stranger.sign(LIST) + vendor.sign(LIST)
    assert verdict(tree, tmp_path, vendor.public(), both).state is State.GOOD
    keys = vendor.public() + builder.public()
    bad = vendor.sign(LIST) + builder.sign(b"another")
    assert verdict(tree, tmp_path, keys, bad).state is State.BAD
    armoured = vendor.sign(LIST, "--armor") + builder.sign(LIST, "--armor")
    assert verdict(tree, tmp_path, keys, armoured).state is State.GOOD


def test_converted_line_ends_are_named_as_the_cause(
    tree: Path, tmp_path: Path, vendor: Person
) -> None:
    # Case D15 (a).
    signature, converted = vendor.sign(LIST), LIST.replace(b"\n", b"\r\n")
    found = verdict(tree, tmp_path, vendor.public(), signature, converted)
    assert found.state is State.BAD
    assert "line ends were converted" in found.detail
    assert "end in LF" in found.detail
    back = verdict(tree, tmp_path, vendor.public(), vendor.sign(converted), LIST)
    assert "end in CR LF" in back.detail


def test_a_key_that_came_with_the_files_changes_nothing(
    tree: Path, tmp_path: Path, vendor: Person, stranger: Person
) -> None:
    # Case D15 (b): a new key pair, signed again, the public key in the tree overwritten.
    (tree / "vendor.asc").write_bytes(stranger.public())
    found = verdict(tree, tmp_path, vendor.public(), stranger.sign(LIST))
    assert found.state is State.UNKNOWN_KEY
    assert check(tree, None) == {"SHA256SUMS.sig": None}


@pytest.mark.parametrize(
    ("signature", "state", "word"),
    [
        (lambda _: b"", State.UNREADABLE, "empty"),
        (lambda somebody: somebody.sign(b"another list\n"), State.BAD, ""),
        (lambda somebody: somebody.sign(LIST) + b"\n", State.UNREADABLE, "no OpenPGP packet"),
        (lambda somebody: somebody.sign(LIST)[:-7], State.UNREADABLE, "cut short"),
        (lambda somebody: somebody.sign(LIST, "--armor")[:-30], State.UNREADABLE, "cut short"),
        (lambda _: bytes(range(128)), State.OTHER_KIND, "neither OpenPGP nor CMS"),
        (lambda _: b"untrusted comment: x\nRWQ\n", State.OTHER_KIND, "minisign"),
        (lambda somebody: somebody.public(armour=False)[4:], State.OTHER_KIND, ""),
    ],
)
def test_what_is_no_signature_of_this_file_is_never_good(
    signature: Callable[[Person], bytes],
    state: State,
    word: str,
    tree: Path,
    tmp_path: Path,
    vendor: Person,
) -> None:
    # Case D15 (d).
    made = signature(vendor)
    found = verdict(tree, tmp_path, vendor.public(), made)
    assert found.state is state
    assert word in found.detail
    words = gpgv([vendor.public(armour=False)], made, LIST, tmp_path / "gpgv")
    assert "exit 0" not in words


def test_a_list_with_a_newline_more_is_another_list(
    tree: Path, tmp_path: Path, vendor: Person
) -> None:
    found = verdict(tree, tmp_path, vendor.public(), vendor.sign(LIST), LIST + b"\n")
    assert found.state is State.BAD


def test_a_signature_without_its_file_is_an_orphan(
    tree: Path, tmp_path: Path, vendor: Person
) -> None:
    (tree / "gone.bin.asc").write_bytes(vendor.sign(LIST, "--armor"))
    keys = load(pin(tmp_path / "keys", plant_asc=vendor.public()), tree)
    assert check(tree, keys)["gone.bin.asc"].state is State.ORPHAN


def test_a_whole_signed_message_in_place_of_a_signature_does_not_vouch_for_the_file(
    tree: Path, tmp_path: Path, vendor: Person, gnupg_home: Path
) -> None:
    message = signing_kit.gpg(
        gnupg_home, "--local-user", vendor.fingerprint, "--sign", stdin=b"a true text"
    )
    found = verdict(tree, tmp_path, vendor.public(), message, b"a false list\n")
    assert found.state is State.UNREADABLE
    assert "other than a signature" in found.detail


def test_a_text_signature_that_leaves_bytes_open_is_weak_where_gpgv_calls_it_good(
    tree: Path, tmp_path: Path, vendor: Person
) -> None:
    plain = vendor.sign(LIST, "--textmode")
    assert verdict(tree, tmp_path, vendor.public(), plain).state is State.GOOD
    converted = LIST.replace(b"\n", b"\r\n")
    assert verdict(tree, tmp_path, vendor.public(), plain, converted).state is State.WEAK
    assert "GOODSIG" in gpgv([vendor.public(armour=False)], plain, converted, tmp_path / "gpgv")


def test_bytes_far_behind_in_a_line_are_not_covered_by_a_text_signature(
    tree: Path, tmp_path: Path, vendor: Person
) -> None:
    # gpg warns of such a line and signs nevertheless.
    words = ["--local-user", vendor.fingerprint, "--textmode", "--detach-sign"]
    content = b"x" * 30_000 + b"\n"
    signature = signing_kit.gpg(vendor.home, *words, stdin=content, status=2)
    assert signature
    other = b"x" * 25_000 + b"something else\n"
    found = verdict(tree, tmp_path, vendor.public(), signature, other)
    assert found.state not in (State.GOOD, State.BAD)
    # gpgv hashes the first 19,995 bytes of a line alone; its exit status alone says so.
    words = gpgv([vendor.public(armour=False)], signature, other, tmp_path / "gpgv")
    assert {"GOODSIG", "exit 2"} <= words


@pytest.mark.parametrize(
    "name", ["a\nb", "-o", "--status-fd=9", "%n%s", "$(id)", "é".encode().decode()]
)
def test_a_name_like_an_option_or_shell_code_harms_nothing(
    name: str, tree: Path, tmp_path: Path, vendor: Person
) -> None:
    (tree / name).write_bytes(LIST)
    (tree / f"{name}.asc").write_bytes(vendor.sign(LIST, "--armor"))
    keys = load(pin(tmp_path / "keys", plant_asc=vendor.public()), tree)
    assert check(tree, keys)[f"{name}.asc"].state is State.GOOD
    assert sorted(one.name for one in tree.iterdir()) == sorted([name, f"{name}.asc"])


def test_without_gpgv_one_line_says_so_and_only_when_it_is_needed(
    tree: Path, tmp_path: Path, vendor: Person, stranger: Person, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "empty").mkdir()
    monkeypatch.setenv("PATH", str(tmp_path / "empty"))
    assert shutil.which("gpgv") is None
    signature, public = (tmp_path / "s", tmp_path / "p")
    monkeypatch.undo()
    signature.write_bytes(vendor.sign(LIST))
    public.write_bytes(vendor.public())
    other = stranger.sign(LIST)
    monkeypatch.setenv("PATH", str(tmp_path / "empty"))
    assert verdict(tree, tmp_path, public.read_bytes(), other).state is State.UNKNOWN_KEY
    with pytest.raises(SurroundingsError) as raised:
        verdict(tree, tmp_path, public.read_bytes(), signature.read_bytes())
    assert "gpgv is not on this machine" in str(raised.value)
    assert "\n" not in str(raised.value)


@pytest.mark.parametrize("size", [10, 8_000_000])
def test_a_checker_that_does_not_read_or_does_not_end_is_stopped(
    size: int, tree: Path, tmp_path: Path, vendor: Person, monkeypatch: pytest.MonkeyPatch
) -> None:
    signature, public = vendor.sign(b"x"), vendor.public()
    (tmp_path / "bin").mkdir()
    (tmp_path / "bin" / "gpgv").write_text("#!/bin/sh\nexec sleep 100\n")
    (tmp_path / "bin" / "gpgv").chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path / 'bin'}:/usr/bin:/bin")
    monkeypatch.setattr(programs, "SECONDS", 1)
    found = verdict(tree, tmp_path, public, signature, b"x" * size)
    assert (found.state, found.detail) == (State.UNREADABLE, "gpgv did not end in time")


def test_a_large_file_is_read_once_in_bounded_memory(
    tree: Path, tmp_path: Path, vendor: Person
) -> None:
    content = bytes(range(256)) * 256 * 1024  # 64 MiB
    found = verdict(tree, tmp_path, vendor.public(), vendor.sign(content), content)
    assert (found.state, found.sha256) == (State.GOOD, hashlib.sha256(content).digest())
