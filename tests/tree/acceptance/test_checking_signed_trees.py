"""Signed repositories and lists: what a pinned key vouches for, and what it does not (issue 5)."""

from __future__ import annotations

import hashlib
import json
import os
import signal
import subprocess
import time
from typing import TYPE_CHECKING, Callable

import bagit
import catalog_kit
import harness
import issuing
import pytest
import repo_kit
import signing_kit
from check_kit import check
from cryptography.x509.oid import ExtendedKeyUsageOID
from issuing import openssl
from signing_kit import THEN, gpgv, pin

if TYPE_CHECKING:
    from pathlib import Path

    from check_kit import Checked
    from signing_kit import Person

pytestmark = pytest.mark.slow

GENUINE, CONSISTENT, UNKNOWN = "authenticated", "self-consistent only", "unknown"
DEBS = [f"{name}_2.4+b1~rc1_all.deb" for name in repo_kit.PACKAGES]
WRONG, UNPINNED = "signature is wrong", "signature by a key that is not pinned"
PUMP, VALVE = b"intake pump firmware\n" * 400, b"brine valve firmware\n" * 300


@pytest.fixture
def root(tmp_path: Path) -> Path:
    (tmp_path / "tree").mkdir()
    return tmp_path / "tree"


def checked(root: Path, key: bytes | None, *options: str | Path) -> Checked:
    """Check with one pinned key, or with none."""
    room = root.parent
    keys = ("--keys", pin(room / "keys", plant_asc=key)) if key else ()
    return check(root, room / "state", *keys, *options)


def genuine(found: Checked) -> set[str]:
    return {path for path, mark in found.marks().items() if mark == GENUINE}


def signers(found: Checked) -> dict[str, str | None]:
    return {one["path"]: one["signer"] for one in found.document["entries"]}


def text_of(root: Path, *options: str | Path) -> str:
    done = harness.run("tree", "check", root, "--state", root.parent / "state", *options)
    return done.stdout.decode()


# A flat Debian repository.


@pytest.fixture
def repository(root: Path) -> Path:
    repo_kit.make_debian_flat(root)
    return root


def sign(root: Path, person: Person, *options: str, forms: str = "both") -> None:
    """Sign a Release as the trade does: around a copy of it, and in a file beside it."""
    release = (root / "Release").read_bytes()
    if forms != "detached":
        (root / "InRelease").write_bytes(person.clear_sign(release, *options))
    if forms != "clear":
        (root / "Release.gpg").write_bytes(person.sign(release, "--armor", *options))


def asked(root: Path, key: bytes) -> list[set[str]]:
    """Ask gpgv of both signatures."""
    room = root.parent / "gpgv"
    release = (root / "Release").read_bytes()
    clear = gpgv([key], (root / "InRelease").read_bytes(), None, room)
    return [clear, gpgv([key], (root / "Release.gpg").read_bytes(), release, room)]


@pytest.mark.parametrize("forms", ["both", "detached", "clear"])
def test_packages_are_authenticated_from_the_signature_down_to_each_of_them(
    forms: str, repository: Path, vendor: Person
) -> None:
    sign(repository, vendor, forms=forms)
    found = checked(repository, vendor.public())
    assert (found.status, found.faults) == (0, set())
    assert {*DEBS, "Packages", "Packages.gz", "Packages.xz"} <= genuine(found)
    assert {signers(found)[name] for name in DEBS} == {"plant"}
    text = text_of(repository, "--keys", repository.parent / "keys")
    assert "vouched for by plant" in text
    assert f": plant, key {vendor.fingerprint}" in text
    if forms == "both":
        for words in asked(repository, vendor.public(armour=False)):
            assert {"GOODSIG", "exit 0"} <= words


def swap_and_list_again(root: Path) -> None:
    """Put another package in the place of one, and make its lists again, as an attacker would."""
    name = DEBS[0]
    (root / name).write_bytes((root / DEBS[1]).read_bytes())
    index = repo_kit.run("apt-ftparchive", "packages", ".", cwd=root)
    (root / "Packages").write_bytes(index)
    for kind in ("gz", "xz"):
        (root / f"Packages.{kind}").write_bytes(repo_kit.compress(index, kind))
    kept = {path: path.read_bytes() for path in (root / "InRelease", root / "Release.gpg")}
    for path in kept:
        path.unlink()
    (root / "Release").write_bytes(repo_kit.run("apt-ftparchive", "release", ".", cwd=root))
    for path, content in kept.items():
        path.write_bytes(content)


def test_a_swapped_package_whose_lists_were_made_again_is_not_authenticated(
    repository: Path, vendor: Person
) -> None:
    sign(repository, vendor)
    swap_and_list_again(repository)
    found = checked(repository, vendor.public())
    assert found.status == 1
    assert (WRONG, "Release.gpg") in found.faults
    assert DEBS[0] not in genuine(found)
    # The signature around InRelease still fits its text, which the lists no longer fit.
    assert ("listed with different digests", "Packages") in found.faults
    assert not {"Packages", "Release", *DEBS} & genuine(found)
    around, beside = asked(repository, vendor.public(armour=False))
    assert "GOODSIG" in around
    assert "BADSIG" in beside
    (repository / "InRelease").unlink()
    found = checked(repository, vendor.public())
    assert found.status == 1
    assert genuine(found) == set()


@pytest.mark.parametrize("case", ["unknown", "expired", "revoked"])
def test_a_key_that_is_unknown_expired_or_revoked_says_so_and_authenticates_nothing(
    case: str,
    repository: Path,
    gnupg_home: Path,
    vendor: Person,
    stranger: Person,
    expired: Person,
) -> None:
    people = {"unknown": stranger, "expired": expired}
    # A key of its own: what has been revoked signs for no other test.
    person = people.get(case) or signing_kit.person(gnupg_home, "departed")
    sign(repository, person, *(["--faked-system-time", f"{THEN}!"] if case == "expired" else []))
    if case == "revoked":
        person.revoke()
    key = vendor if case == "unknown" else person
    found = checked(repository, key.public())
    kind = UNPINNED if case == "unknown" else WRONG
    assert found.faults == {(kind, "InRelease"), (kind, "Release.gpg")}
    words = {"unknown": "not pinned", "expired": "key has expired", "revoked": "key is revoked"}
    assert all(words[case] in why for why in found.details(kind).values())
    assert genuine(found) == set()
    assert found.marks()[DEBS[0]] == CONSISTENT
    assert words[case] in text_of(repository, "--keys", repository.parent / "keys")
    status = {"unknown": "NO_PUBKEY", "expired": "EXPKEYSIG", "revoked": "REVKEYSIG"}[case]
    for answer in asked(repository, key.public(armour=False)):
        assert status in answer


def test_without_keys_all_is_self_consistent_only_and_signatures_are_said_to_be_unchecked(
    repository: Path, vendor: Person
) -> None:
    sign(repository, vendor)
    found = checked(repository, None)
    assert found.status == 0
    assert {found.marks()[name] for name in DEBS} == {CONSISTENT}
    assert genuine(found) == set()
    assert any("2 signatures" in one and "--keys" in one for one in found.document["not_checked"])
    assert {one["state"] for one in found.document["signatures"]} == {"not checked"}
    text = text_of(repository)
    assert "2 signatures, since no keys are pinned" in text
    assert f"authenticated: 0, {CONSISTENT}: " in text


# Other lists and files, each signed in a way of its own.


def lay(root: Path) -> bytes:
    """Lay two files and give the list of them that coreutils writes."""
    (root / "pump.img").write_bytes(PUMP)
    (root / "valve.img").write_bytes(VALVE)
    sha256sum = harness.need("sha256sum")
    done = subprocess.run(
        [sha256sum, "pump.img", "valve.img"], cwd=root, capture_output=True, check=True
    )
    return done.stdout


def clear_in_place(root: Path, listed: bytes, person: Person) -> None:
    (root / "SHA256SUMS").write_bytes(person.clear_sign(listed))


def clear_under_asc(root: Path, listed: bytes, person: Person) -> None:
    (root / "SHA256SUMS.asc").write_bytes(person.clear_sign(listed))


def detached_armoured(root: Path, listed: bytes, person: Person) -> None:
    (root / "SHA256SUMS").write_bytes(listed)
    (root / "SHA256SUMS.asc").write_bytes(person.sign(listed, "--armor"))


def detached_binary(root: Path, listed: bytes, person: Person) -> None:
    (root / "SHA256SUMS").write_bytes(listed)
    (root / "SHA256SUMS.sig").write_bytes(person.sign(listed))


FORMS: list[Callable[[Path, bytes, Person], None]] = [
    clear_in_place,
    clear_under_asc,
    detached_armoured,
    detached_binary,
]


@pytest.mark.parametrize("form", FORMS)
def test_a_signed_checksum_list_authenticates_its_files_and_no_others(
    form: Callable[[Path, bytes, Person], None], root: Path, vendor: Person
) -> None:
    form(root, lay(root), vendor)
    (root / "extra.img").write_bytes(b"more")
    found = checked(root, vendor.public())
    assert (found.status, found.faults) == (0, set())
    assert {"pump.img", "valve.img"} <= genuine(found)
    assert found.marks()["extra.img"] == UNKNOWN
    (root / "pump.img").write_bytes(PUMP[:-1] + b"!")
    found = checked(root, vendor.public())
    assert found.faults == {("digest differs", "pump.img")}
    assert found.marks()["pump.img"] == UNKNOWN
    assert "valve.img" in genuine(found)


def test_a_list_signed_by_cms_authenticates_its_files(root: Path) -> None:
    listed = lay(root)
    (root / "SHA256SUMS").write_bytes(listed)
    authority = issuing.issue("plant root", authority=True, hosts=())
    desk = issuing.issue(
        "release desk", authority, hosts=("a.example",), purpose=ExtendedKeyUsageOID.CODE_SIGNING
    )
    pem = root.parent / "desk.pem"
    pem.write_bytes(desk.pem + desk.key_pem)
    words = ["cms", "-sign", "-binary", "-in", root / "SHA256SUMS", "-signer", pem]
    (root / "SHA256SUMS.p7s").write_bytes(openssl(*words, "-outform", "DER"))
    keys = pin(root.parent / "keys", plant_pem=authority.pem)
    found = check(root, root.parent / "state", "--keys", keys)
    assert (found.status, found.faults) == (0, set())
    assert {"pump.img", "valve.img"} <= genuine(found)
    assert any("has been revoked" in one for one in found.document["not_checked"])
    assert signers(found)["pump.img"] == "plant"
    (root / "SHA256SUMS").write_bytes(listed.replace(b"valve", b"value"))
    found = check(root, root.parent / "state", "--keys", keys)
    assert (WRONG, "SHA256SUMS.p7s") in found.faults
    assert genuine(found) == set()


# Lists that came by another way than the tree.


@pytest.fixture
def elsewhere(tmp_path: Path) -> Path:
    (tmp_path / "from the vendor").mkdir()
    return tmp_path / "from the vendor"


def lists_in(folder: Path) -> list[str | Path]:
    """Give the options for the list that lies in a folder, not for a signature beside it."""
    (first, *_) = sorted(folder.iterdir())
    return ["--expect", first]


@pytest.mark.parametrize("form", FORMS)
def test_a_signed_list_from_elsewhere_authenticates_the_files_of_the_tree(
    form: Callable[[Path, bytes, Person], None], root: Path, elsewhere: Path, vendor: Person
) -> None:
    form(elsewhere, lay(root), vendor)
    options = lists_in(elsewhere)
    found = checked(root, vendor.public(), *options)
    assert (found.status, found.faults) == (0, set())
    assert genuine(found) == {"pump.img", "valve.img"}
    (one,) = (one for one in found.document["lists"] if not one["in_tree"])
    assert one["signer"] == "plant"
    (signature,) = found.document["signatures"]
    assert signature["path"].startswith(f"{elsewhere}/")
    assert (signature["of"], signature["state"]) == (str(options[1]), "good")
    assert not any("--expect" in one for one in found.document["not_checked"])
    (root / "pump.img").write_bytes(PUMP[:-1] + b"!")
    found = checked(root, vendor.public(), *options)
    assert found.faults == {("digest differs", "pump.img")}
    assert genuine(found) == {"valve.img"}


@pytest.mark.parametrize("form", FORMS)
def test_a_list_from_elsewhere_that_was_altered_is_a_fault_and_authenticates_nothing(
    form: Callable[[Path, bytes, Person], None], root: Path, elsewhere: Path, vendor: Person
) -> None:
    form(elsewhere, lay(root), vendor)
    options = lists_in(elsewhere)
    altered = options[1]
    assert not isinstance(altered, str)
    (root / "pump.img").write_bytes(VALVE)
    old, new = (hashlib.sha256(one).hexdigest().encode() for one in (PUMP, VALVE))
    altered.write_bytes(altered.read_bytes().replace(old, new))
    found = checked(root, vendor.public(), *options)
    assert {kind for kind, _ in found.faults} == {WRONG}
    assert genuine(found) == set()
    assert found.marks()["pump.img"] == CONSISTENT


def test_a_list_from_elsewhere_signed_by_a_stranger_or_nobody_says_so(
    root: Path, elsewhere: Path, vendor: Person, stranger: Person
) -> None:
    listed = lay(root)
    (elsewhere / "files.txt").write_bytes(listed)
    options = lists_in(elsewhere)
    found = checked(root, vendor.public(), *options)
    assert (found.status, found.faults, genuine(found)) == (1, set(), set())
    (said,) = (one for one in found.document["not_checked"] if "--expect" in one)
    assert said == f"who made {elsewhere}/files.txt (--expect): no signature is in it or beside it"
    (elsewhere / "files.txt.asc").write_bytes(stranger.sign(listed, "--armor"))
    found = checked(root, vendor.public(), *options)
    assert found.faults == {(UNPINNED, f"{elsewhere}/files.txt.asc")}
    found = checked(root, None, *options)
    assert (found.status, found.faults) == (0, set())
    assert "1 signatures, since no keys are pinned (--keys FOLDER)" in found.document["not_checked"]


def test_a_list_from_elsewhere_signed_by_cms_authenticates_its_files(
    root: Path, elsewhere: Path
) -> None:
    (elsewhere / "files.txt").write_bytes(lay(root))
    authority = issuing.issue("plant root", authority=True, hosts=())
    desk = issuing.issue(
        "release desk", authority, hosts=("a.example",), purpose=ExtendedKeyUsageOID.CODE_SIGNING
    )
    pem = root.parent / "desk.pem"
    pem.write_bytes(desk.pem + desk.key_pem)
    words = ["cms", "-sign", "-binary", "-in", elsewhere / "files.txt", "-signer", pem]
    (elsewhere / "files.txt.p7s").write_bytes(openssl(*words, "-outform", "DER"))
    keys = pin(root.parent / "keys", plant_pem=authority.pem)
    options = ("--keys", keys, "--expect", elsewhere / "files.txt")
    found = check(root, root.parent / "state", *options)
    assert (found.status, found.faults) == (0, set())
    assert genuine(found) == {"pump.img", "valve.img"}


# Both are called the same; whoever can write into the tree has made the one in it.
def test_a_signed_list_from_elsewhere_vouches_for_none_of_its_name_in_the_tree(
    root: Path, elsewhere: Path, vendor: Person
) -> None:
    listed = lay(root)
    (elsewhere / "SHA256SUMS").write_bytes(listed)
    (elsewhere / "SHA256SUMS.asc").write_bytes(vendor.sign(listed, "--armor"))
    (root / "extra.img").write_bytes(b"more")
    (root / "SHA256SUMS").write_text(f"{hashlib.sha256(b'more').hexdigest()}  extra.img\n")
    found = checked(root, vendor.public(), "--expect", elsewhere / "SHA256SUMS")
    assert genuine(found) == {"pump.img", "valve.img"}
    assert found.marks()["extra.img"] == CONSISTENT


def test_a_link_to_a_signed_list_elsewhere_is_followed(
    root: Path, elsewhere: Path, vendor: Person
) -> None:
    listed = lay(root)
    (elsewhere / "files.txt").write_bytes(listed)
    (elsewhere / "files.txt.asc").write_bytes(vendor.sign(listed, "--armor"))
    (root.parent / "latest").symlink_to(elsewhere / "files.txt")
    found = checked(root, vendor.public(), "--expect", root.parent / "latest")
    assert (found.status, found.faults) == (0, set())


def test_a_signed_repomd_authenticates_packages_through_the_primary_index(
    root: Path, vendor: Person
) -> None:
    repo_kit.make_rpm_md(root)
    index = root / "repodata" / "repomd.xml"
    (root / "repodata" / "repomd.xml.asc").write_bytes(vendor.sign(index.read_bytes(), "--armor"))
    packages = {f"packages/{name}.rpm" for name in repo_kit.PACKAGES}
    found = checked(root, vendor.public())
    assert (found.status, found.faults) == (0, set())
    assert packages <= genuine(found)
    changed = root / "packages" / "intake-pump.rpm"
    changed.write_bytes((root / "packages" / "brine-valve.rpm").read_bytes())
    found = checked(root, vendor.public())
    assert "packages/intake-pump.rpm" not in genuine(found)
    assert packages - genuine(found) == {"packages/intake-pump.rpm"}
    repo_kit.run("createrepo_c", "--quiet", ".", cwd=root)
    (root / "repodata" / "repomd.xml.asc").write_bytes(vendor.sign(b"the old one", "--armor"))
    found = checked(root, vendor.public())
    assert found.faults == {(WRONG, "repodata/repomd.xml.asc")}
    assert genuine(found) == set()


def test_a_signed_rpm_and_a_file_with_a_signature_beside_it_need_no_list(
    root: Path, vendor: Person, builder: Person
) -> None:
    repo_kit.make_rpm_md(root)
    (signed, other) = [root / "packages" / f"{name}.rpm" for name in repo_kit.PACKAGES[:2]]
    rpmsign = harness.need("rpmsign")
    defines = [f"_gpg_name {builder.fingerprint}", f"_gpg_path {builder.home}"]
    words = [word for one in defines for word in ("--define", one)]
    gpg = ["--define", f"__gpg {harness.need('gpg')}"]
    subprocess.run([rpmsign, "--addsign", *words, *gpg, signed], check=True, capture_output=True)
    for one in (root / "repodata").iterdir():
        one.unlink()
    (root / "repodata").rmdir()
    (root / "plant.iso").write_bytes(PUMP)
    (root / "plant.iso.asc").write_bytes(vendor.sign(PUMP, "--armor"))
    keys = pin(root.parent / "keys", builder_asc=builder.public())
    found = checked(root, vendor.public())
    assert keys.is_dir()
    assert genuine(found) == {"packages/intake-pump.rpm", "plant.iso"}
    assert signers(found)["packages/intake-pump.rpm"] == "builder"
    assert signers(found)["plant.iso"] == "plant"
    assert found.marks()[str(other.relative_to(root))] == UNKNOWN
    (root / "plant.iso").write_bytes(PUMP + b"!")
    found = checked(root, vendor.public())
    assert found.faults >= {(WRONG, "plant.iso.asc")}
    assert genuine(found) == {"packages/intake-pump.rpm"}


def make_bag(root: Path) -> None:
    lay(root)
    bagit.make_bag(str(root), checksums=["sha256"])


def make_sidecar(root: Path) -> None:
    (root / "pump.img").write_bytes(PUMP)
    (root / "pump.img.sha256").write_text(hashlib.sha256(PUMP).hexdigest())


def make_catalog(root: Path) -> None:
    catalog_kit.shapes()[0].write(root)


# How it is made, the list that is signed, and a file at the end of what follows from that list.
CHAINS: dict[str, tuple[Callable[[Path], None], str, str]] = {
    "a Debian archive": (
        repo_kit.make_debian_archive, "dists/stable/Release", "pool/main/" + DEBS[0],
    ),
    "an image layout": (repo_kit.make_oci, "index.json", "blobs/sha256/*"),
    "a Metalink": (repo_kit.make_metalink, "plant.meta4", "controller/brine.img"),
    "a bag": (make_bag, "tagmanifest-sha256.txt", "data/pump.img"),
    "a sidecar": (make_sidecar, "pump.img.sha256", "pump.img"),
    "a page of packages": (
        repo_kit.make_simple_index,
        "intake-pump/index.html",
        "intake-pump/intake_pump-2.4+b1-py3-none-any.whl",
    ),
    "a guessed catalog": (make_catalog, "catalog.json", "controller/rom/brine.img"),
}  # fmt: skip


@pytest.mark.parametrize("name", CHAINS)
def test_whatever_the_kind_of_list_a_signature_reaches_what_follows_from_it(
    name: str, root: Path, vendor: Person
) -> None:
    make, listed, last = CHAINS[name]
    make(root)
    (root / f"{listed}.gpg").write_bytes(vendor.sign((root / listed).read_bytes()))
    ends = {str(path.relative_to(root)) for path in root.glob(last)}
    found = checked(root, vendor.public())
    assert (found.status, found.faults) == (0, set())
    assert ends
    assert {listed, *ends} <= genuine(found)
    (root / f"{listed}.gpg").write_bytes(vendor.sign(b"another list"))
    found = checked(root, vendor.public())
    assert found.faults == {(WRONG, f"{listed}.gpg")}
    assert genuine(found) == set()


# Digests that came by another way.


def test_a_digest_that_was_typed_in_authenticates_a_file_or_a_list_and_what_it_names(
    root: Path,
) -> None:
    listed = lay(root)
    (root / "SHA256SUMS").write_bytes(listed)
    typed = hashlib.sha512(VALVE).hexdigest()
    found = checked(root, None, "--digest", f"valve.img=sha512:{typed}")
    assert genuine(found) == {"valve.img"}
    assert signers(found)["valve.img"] == "digest typed in"
    assert found.marks()["pump.img"] == CONSISTENT
    of_list = hashlib.sha256(listed).hexdigest()
    found = checked(root, None, "--digest", f"SHA256SUMS={of_list}")
    assert (found.status, genuine(found)) == (0, {"SHA256SUMS", "pump.img", "valve.img"})
    found = checked(root, None, "--digest", f"SHA256SUMS={of_list[::-1]}")
    assert found.faults == {("digest differs", "SHA256SUMS")}
    assert genuine(found) == set()
    weak = hashlib.md5(VALVE).hexdigest()  # noqa: S324
    options = ("--state", root.parent / "state", "--digest", f"valve.img={weak}")
    done = harness.run("tree", "check", root, *options)
    assert (done.returncode, done.stdout) == (2, b"")
    assert b"proves nothing" in done.stderr


def test_a_weak_digest_in_a_signed_list_authenticates_nothing(root: Path, vendor: Person) -> None:
    lay(root)
    sha1 = hashlib.sha1(PUMP).hexdigest()  # noqa: S324
    (root / "valve.img").unlink()
    listed = f"{sha1}  pump.img\n".encode()
    (root / "SHA1SUMS").write_bytes(vendor.clear_sign(listed))
    found = checked(root, vendor.public())
    # No fault, yet the key that was pinned proves nothing about any file.
    assert (found.status, found.faults) == (1, set())
    assert genuine(found) == {"SHA1SUMS"}
    assert found.marks()["pump.img"] == CONSISTENT
    assert "vouched for by a weak digest alone" in found.kinds
    (root / "notes.txt").write_bytes(b"notes")
    (root / "notes.txt.sig").write_bytes(vendor.sign(b"notes"))
    assert checked(root, vendor.public()).status == 0
    # Nor does it hand trust on to a list.
    strong = f"{hashlib.sha256(PUMP).hexdigest()}  pump.img\n".encode()
    (root / "SHA256SUMS").write_bytes(strong)
    sha1 = hashlib.sha1(strong).hexdigest()  # noqa: S324
    (root / "SHA1SUMS").write_bytes(vendor.clear_sign(f"{sha1}  SHA256SUMS\n".encode()))
    found = checked(root, vendor.public())
    assert found.marks()["pump.img"] == CONSISTENT


def test_a_signed_list_of_sizes_vouches_for_no_file(root: Path, vendor: Person) -> None:
    lay(root)
    rows = [
        {"name": name, "size": len(text)}
        for name, text in (("pump.img", PUMP), ("valve.img", VALVE))
    ]
    sizes = json.dumps({"files": rows}).encode()
    (root / "catalog.json").write_bytes(sizes)
    (root / "catalog.json.sig").write_bytes(vendor.sign(sizes))
    found = checked(root, vendor.public())
    assert (found.status, found.faults) == (1, set())
    assert genuine(found) == {"catalog.json"}


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_check_that_is_ended_leaves_no_program_and_no_file(
    root: Path, vendor: Person, number: signal.Signals
) -> None:
    (root / "SHA256SUMS").write_bytes(lay(root))
    (root / "SHA256SUMS.sig").write_bytes(vendor.sign(lay(root)))
    room = root.parent
    private, programs = room / "tmp", room / "bin"
    private.mkdir()
    programs.mkdir()
    script = f"#!/bin/sh\ncat >/dev/null\necho $$ >{room}/pid\nexec sleep 300\n"
    (programs / "gpgv").write_text(script)
    (programs / "gpgv").chmod(0o755)
    words = ["tree", "check", root, "--state", room / "state"]
    words += ["--keys", pin(room / "keys", plant_asc=vendor.public())]
    path = f"{programs}:{os.environ['PATH']}"
    process = subprocess.Popen(
        harness.command(*words),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=harness.environment({"TMPDIR": str(private), "PATH": path}),
    )
    deadline = time.monotonic() + 60
    while not (room / "pid").exists() or not (room / "pid").read_text().strip():
        assert time.monotonic() < deadline
        time.sleep(0.02)
    process.send_signal(number)
    _, errors = process.communicate(timeout=30)
    assert process.returncode == 130, errors.decode()
    assert errors.endswith(b"depotserve: interrupted\n")
    assert not list(private.iterdir())
    assert not os.path.exists(f"/proc/{(room / 'pid').read_text().strip()}")


# Found by a hostile reader: what was signed and is hardly there, and what nobody here can check.


def test_a_signed_catalog_is_about_this_tree_however_little_of_it_is_there(
    root: Path, vendor: Person
) -> None:
    rows = [
        {"path": f"fw-{n}.bin", "size": len(PUMP), "sha256": hashlib.sha256(PUMP).hexdigest()}
        for n in range(20)
    ]
    catalog = json.dumps({"files": rows}).encode()
    (root / "catalog.json").write_bytes(catalog)
    (root / "fw-0.bin").write_bytes(PUMP)
    (root / "catalog.json.asc").write_bytes(vendor.sign(catalog, "--armor"))
    found = checked(root, vendor.public())
    assert found.faults == {("list cannot be used", "catalog.json")}
    assert "plant vouches for it" in found.details("list cannot be used")["catalog.json"]
    (root / "catalog.json.asc").unlink()
    assert checked(root, None).faults == set()


def test_a_signature_of_another_kind_is_said_not_to_be_checked_and_is_no_fault(
    root: Path, vendor: Person
) -> None:
    (root / "pump.img").write_bytes(PUMP)
    (root / "pump.img.sig").write_bytes(b"\x17" * 256)  # as a raw RSA signature has no form
    listed = f"{hashlib.sha256(PUMP).hexdigest()}  pump.img\n".encode()
    (root / "SHA256SUMS").write_bytes(listed)
    (root / "SHA256SUMS.asc").write_bytes(vendor.sign(listed, "--armor"))
    found = checked(root, vendor.public())
    assert (found.status, found.faults) == (0, set())
    assert "pump.img.sig" in found.details("signature not checked")
    assert genuine(found) == {"SHA256SUMS", "pump.img"}
