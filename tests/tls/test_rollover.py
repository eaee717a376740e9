from __future__ import annotations

import subprocess
from typing import TYPE_CHECKING

import cert_kit as kit
import harness
import pytest

from depotserve.home import Home
from depotserve.tls import custody

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def home(tmp_path: Path, tree: Path) -> Path:
    return harness.make_home(tmp_path / "home", tree)


def trusted(home: Path) -> list[str]:
    """Name the roots that clients are given."""
    return [one.subject.rfc4514_string() for one in custody.anchors(Home(home))]


def subject(home: Path, name: str) -> str:
    return kit.load(home / "tls" / name).subject.rfc4514_string()


def succeed(home: Path, *arguments: str) -> str:
    done = kit.cert(home, *arguments)
    assert done.returncode == 0, done.stderr
    return done.stdout.decode()


def test_clients_are_given_both_authorities_from_the_first_step_to_the_last(home: Path) -> None:
    old = subject(home, "authority.pem")
    assert trusted(home) == [old]
    leaf = kit.fingerprint(home / "tls" / "server.pem")
    succeed(home, "authority", "new")
    new = subject(home, "authority-next.pem")
    assert new != old
    assert trusted(home) == [old, new]
    assert "a new authority waits" in succeed(home, "show")
    succeed(home, "authority", "use")
    assert subject(home, "authority.pem") == new
    assert set(trusted(home)) == {old, new}
    assert kit.fingerprint(home / "tls" / "server.pem") == leaf
    line = kit.refused(home, "authority", "retire")
    assert "still vouches for a certificate of this depot" in line
    said = succeed(home, "issue")
    assert "another authority" not in said  # they have it by now
    assert set(trusted(home)) == {old, new}
    succeed(home, "authority", "retire")
    assert trusted(home) == [new]
    files = {path.name for path in (home / "tls").iterdir()}
    assert files == {"authority.pem", "authority.key", "server.pem", "server.key"}


def test_a_prepared_certificate_of_the_old_one_keeps_it_too(home: Path) -> None:
    succeed(home, "issue", "--prepare")
    succeed(home, "authority", "new")
    succeed(home, "authority", "use")
    waiting = (home / "tls" / "server-next.pem").read_bytes()
    assert waiting
    assert "still vouches" in kit.refused(home, "authority", "retire")


def test_steps_out_of_order_are_refused(home: Path) -> None:
    assert "no authority waits" in kit.refused(home, "authority", "use")
    assert "there is no old authority" in kit.refused(home, "authority", "retire")
    succeed(home, "authority", "new")
    assert "follows another already" in kit.refused(home, "authority", "new")
    succeed(home, "authority", "use")
    assert "follows another already" in kit.refused(home, "authority", "new")


def test_an_authority_can_be_of_rsa_with_a_passphrase(home: Path, tmp_path: Path) -> None:
    word = tmp_path / "word"
    word.write_text("brine pump seven\n")
    succeed(home, "authority", "new", "--key", "rsa", "--passphrase-file", str(word))
    succeed(home, "authority", "use")
    assert b"ENCRYPTED" in (home / "tls" / "authority.key").read_bytes()
    succeed(home, "issue", "--key", "rsa", "--authority-passphrase-file", str(word))
    assert "RSA, 3072 bits" in succeed(home, "show")


def test_a_home_without_an_authority_gets_one(home: Path) -> None:
    for name in ("authority.pem", "authority.key"):
        (home / "tls" / name).unlink()
    assert "has no authority" in kit.refused(home, "issue")
    succeed(home, "authority", "new")
    said = succeed(home, "issue")
    assert said
    assert trusted(home) == [subject(home, "authority.pem")]


@pytest.mark.parametrize("passphrase", ["", "brine pump seven"])
@pytest.mark.parametrize("cut", [1, 2])
def test_a_switch_that_is_cut_off_is_finished_by_the_next_command(
    home: Path, tmp_path: Path, cut: int, passphrase: str
) -> None:
    """Strace ends the command at one of its renames of certificate files."""
    file = tmp_path / "word"
    file.write_text(passphrase)
    succeed(home, "authority", "new", *(["--passphrase-file", str(file)] if passphrase else []))
    new = subject(home, "authority-next.pem")
    # The first rename puts the old one's copy in place; then come certificate and key.
    strace = [harness.need("strace"), "-f", "-o", "/dev/null", "-e", "trace=rename", "-e"]
    inject = f"inject=rename:signal=KILL:when={cut + 1}"
    done = kit.cert(home, "authority", "use", through=[*strace, inject])
    assert done.returncode != 0
    if (home / "tls" / "authority-next.pem").exists():
        succeed(home, "authority", "use")
    succeed(home, "issue", "--authority-passphrase-file", str(file))
    assert subject(home, "authority.pem") == new
    assert not (home / "tls" / "authority-next.key").exists()
    succeed(home, "authority", "retire")
    assert trusted(home) == [new]


def test_renewal_goes_on_between_use_and_issue(home: Path) -> None:
    kit.age(home, 20)
    succeed(home, "authority", "new")
    succeed(home, "authority", "use")
    assert "A new one is prepared" in succeed(home, "issue", "--when-due")
    prepared = kit.load(home / "tls" / "server-next.pem")
    assert prepared.issuer == kit.load(home / "tls" / "authority.pem").subject


@pytest.mark.parametrize("length", [0, 1024, 5000])
def test_a_passphrase_that_cannot_cover_a_key_is_refused(
    home: Path, tmp_path: Path, length: int
) -> None:
    word = tmp_path / "word"
    word.write_text("w" * length + "\n")
    line = kit.refused(home, "authority", "new", "--passphrase-file", word)
    assert "fault of depotserve" not in line
    assert "w" * 30 not in line


def test_the_longest_passphrase_and_one_of_another_script_open_what_they_cover(
    home: Path, tmp_path: Path
) -> None:
    word = tmp_path / "word"
    word.write_text("\u00fc" * 511 + "x")
    assert word.stat().st_size == 1023
    succeed(home, "authority", "new", "--passphrase-file", str(word))
    succeed(home, "authority", "use")
    succeed(home, "issue", "--authority-passphrase-file", str(word))
    # Outside check: OpenSSL opens it too.
    key = home / "tls" / "authority.key"
    done = subprocess.run(
        ["openssl", "pkey", "-in", key, "-passin", f"file:{word}", "-noout"],
        capture_output=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr


def test_a_key_whose_certificate_is_missing_is_not_overwritten(home: Path) -> None:
    (home / "tls" / "authority.pem").unlink()
    assert "certificate is missing" in kit.refused(home, "authority", "new")


def test_a_certificate_without_names_hinders_no_new_authority(home: Path) -> None:
    command = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-subj", "/CN=x"]
    out = ["-keyout", home / "tls" / "server.key", "-out", home / "tls" / "server.pem"]
    subprocess.run([*command, *out], capture_output=True, timeout=60, check=True)
    succeed(home, "authority", "new")
    for name in ("server.pem", "server.key", "authority.pem", "authority.key"):
        (home / "tls" / name).unlink()
    for name in ("authority-next.pem", "authority-next.key"):
        (home / "tls" / name).unlink()
    succeed(home, "authority", "new")
    assert "secp256r1" in succeed(home, "issue", "--host", "depot.plant.example")


@pytest.mark.parametrize("name", ["authority-next.pem", "authority-next.key"])
@pytest.mark.parametrize("content", [b"", b"-----BEGIN CERT"], ids=["empty", "cut"])
def test_a_damaged_new_authority_does_not_take_the_old_ones_place(
    home: Path, name: str, content: bytes
) -> None:
    succeed(home, "authority", "new")
    (home / "tls" / name).write_bytes(content)
    assert name in kit.refused(home, "authority", "use")
