"""`depotserve cert trust` as a person runs it: what it writes, what it says, what it refuses."""

from __future__ import annotations

import os
import re
import shutil
import stat
from pathlib import Path

import harness
import pytest
from cryptography import x509

from depotserve import tls
from depotserve.tls import trust


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a home beside its tree, once."""
    folder = tmp_path_factory.mktemp("template")
    (folder / "tree" / "gateway").mkdir(parents=True)
    (folder / "tree" / "x").write_bytes(b"x")
    hosts = ["depot.plant.example", "192.0.2.7"]
    made = harness.make_home(folder / "home", folder / "tree", hosts=hosts)
    listener = {"address": "0.0.0.0", "port": 8443, "tls": "modern"}  # noqa: S104
    harness.change_settings(made, listeners=[listener])
    return folder


@pytest.fixture
def home(tmp_path: Path, template: Path) -> Path:
    """Give a copy of the home that a test may change; it serves the same tree."""
    return Path(shutil.copytree(template / "home", tmp_path / "home"))


def refused(home: Path, client: str, out: Path | str, *options: str, stdin: bytes = b"") -> str:
    """Run the command, which must end with status 2 and one line; give the line."""
    arguments = ["cert", "trust", "--home", home, "--for", client, "--out", out, *options]
    done = harness.run(*arguments, stdin=stdin)
    assert done.returncode == 2, done.stdout
    assert done.stdout == b""
    assert done.stderr.count(b"\n") == 1
    return done.stderr.decode()


def follow(home: Path) -> None:
    """Let another authority begin to follow the home's."""
    (home / "tls" / "authority-next.pem").write_bytes(tls.authority.create("x").certificate)


@pytest.mark.parametrize("client", trust.CLIENTS)
def test_it_writes_one_public_file_and_says_the_way(
    home: Path, tmp_path: Path, client: str
) -> None:
    file = tmp_path / "out.x"
    said = harness.succeed("cert", "trust", "--home", home, "--for", client, "--out", file).decode()
    assert stat.S_IMODE(file.stat().st_mode) == 0o644
    assert b"PRIVATE KEY" not in file.read_bytes()
    anchor = x509.load_pem_x509_certificate((home / "tls" / "authority.pem").read_bytes())
    assert f"SHA-256     {trust.fingerprint(anchor)}\n" in said
    assert re.search(rf"^written +{re.escape(str(file))} \(", said, re.MULTILINE)
    for url in ("https://depot.plant.example:8443/", "https://192.0.2.7:8443/"):
        assert url in said
    heads = [line for line in said.splitlines() if line and not line.startswith(" ")][-3:]
    assert [head.split()[0] for head in heads] == ["Before", "On", "Then"]


@pytest.mark.parametrize("client", ["debian", "windows", "macos", "firefox"])
def test_a_client_that_reads_one_a_file_gets_further_files_and_all_are_named(
    home: Path, tmp_path: Path, client: str
) -> None:
    follow(home)
    (tmp_path / "depot-2.crt").write_text("an old one\n")
    file = tmp_path / "depot.crt"
    out = harness.succeed("cert", "trust", "--home", home, "--for", client, "--out", file, "--json")
    said = harness.json_of(out)
    assert said["files"] == [str(file), str(tmp_path / "depot-2.crt")]
    assert len({(tmp_path / name).read_bytes() for name in ("depot.crt", "depot-2.crt")}) == 2
    text = harness.succeed("cert", "trust", "--home", home, "--for", client, "--out", file).decode()
    assert len(re.findall("^written", text, re.MULTILINE)) == 2
    assert len(re.findall("^SHA-256", text, re.MULTILINE)) == 2


def test_the_json_document_holds_what_the_text_says(home: Path, tmp_path: Path) -> None:
    file = tmp_path / "trust.p12"
    out = harness.succeed("cert", "trust", "--home", home, "--for", "java", "--out", file, "--json")
    said = harness.json_of(out)
    keys = ["client", "form", "files", "authorities", "urls", "compare", "install", "test"]
    assert list(said) == keys
    assert said["client"] == "java"
    assert re.fullmatch("([0-9A-F]{2}:){31}[0-9A-F]{2}", said["authorities"][0]["sha256"])
    assert all(set(step) == {"say", "run"} for step in said["install"] + said["test"])


def test_a_port_that_is_not_fixed_is_said_to_be_so(home: Path, tmp_path: Path) -> None:
    listener = {"address": "127.0.0.1", "port": 0, "tls": "modern"}
    harness.change_settings(home, listeners=[listener])
    arguments = ["cert", "trust", "--home", home, "--for", "curl", "--out", tmp_path / "x"]
    said = harness.succeed(*arguments).decode()
    assert "https://depot.plant.example:PORT/_depot/health" in said
    assert "PORT below stands for the port that the depot says at its start." in said


def test_a_file_that_is_there_is_replaced_whole(home: Path, tmp_path: Path) -> None:
    file = tmp_path / "trust.pem"
    file.write_bytes(b"x" * 100_000)
    harness.succeed("cert", "trust", "--home", home, "--for", "curl", "--out", file)
    assert file.read_bytes() == (home / "tls" / "authority.pem").read_bytes()
    assert [path.name for path in tmp_path.glob(".*")] == []


@pytest.mark.parametrize(
    "inside", ["tls/server.pem", "tls/new.pem", "trust.pem", "accounts/users", "state/x"]
)
def test_nothing_is_written_into_the_home(home: Path, inside: str) -> None:
    file = home / inside
    before = file.read_bytes() if file.exists() else None
    assert "lies in the home" in refused(home, "curl", file)
    assert (file.read_bytes() if file.exists() else None) == before


def test_nothing_is_written_into_the_content(home: Path, template: Path, tmp_path: Path) -> None:
    tree = template / "tree"
    (tmp_path / "link").symlink_to(tree / "gateway")
    for file in (tree / "x", tree / "trust.pem", tmp_path / "link" / "trust.pem"):
        assert "lies in the content" in refused(home, "curl", file)
    assert (tree / "x").read_bytes() == b"x"
    assert not (tree / "gateway" / "trust.pem").exists()


def test_only_a_regular_file_is_replaced(home: Path, tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    os.mkfifo(tmp_path / "fifo")
    (tmp_path / "target").write_text("kept\n")
    (tmp_path / "link").symlink_to(tmp_path / "target")
    for name in ("folder", "fifo", "link"):
        assert "no regular file" in refused(home, "curl", tmp_path / name)
    assert "no regular file" in refused(home, "curl", "/dev/null")
    assert (tmp_path / "target").read_text() == "kept\n"


def test_no_file_is_written_if_one_of_several_may_not_be(home: Path, tmp_path: Path) -> None:
    follow(home)
    (tmp_path / "a-2.crt").mkdir()
    assert "a-2.crt: is there and no regular file" in refused(home, "debian", tmp_path / "a.crt")
    assert not (tmp_path / "a.crt").exists()


@pytest.mark.parametrize(
    ("client", "options", "stdin", "reason"),
    [
        ("curl", ["--compatible"], b"", "--compatible has no meaning for curl"),
        ("debian", ["--passphrase-file", "-"], b"word\n", "--passphrase-file has no meaning"),
        ("java", ["--passphrase-file", "-"], b"\n", "an empty word opens no Java trust store"),
        ("java", ["--passphrase-file", "-"], b"", "an empty word opens no Java trust store"),
        ("java", ["--passphrase-file", "-"], "wört\n".encode(), "printable ASCII"),
        ("java", ["--passphrase-file", "nowhere"], b"", "No such file"),
        ("a browser", [], b"", "is not one of"),
    ],
)
def test_what_makes_no_sense_is_refused_and_writes_nothing(
    home: Path, tmp_path: Path, client: str, options: list[str], stdin: bytes, reason: str
) -> None:
    assert reason in refused(home, client, tmp_path / "x", *options, stdin=stdin)
    assert not (tmp_path / "x").exists()


def test_a_folder_that_is_not_there_is_named(home: Path, tmp_path: Path) -> None:
    assert "No such file or directory" in refused(home, "curl", tmp_path / "none" / "x")


def test_a_home_without_tls_has_nothing_to_trust(home: Path, tmp_path: Path) -> None:
    listener = {"address": "127.0.0.1", "port": 8080, "tls": "none"}
    harness.change_settings(home, listeners=[listener])
    assert "no listener speaks TLS" in refused(home, "curl", tmp_path / "x")
    assert not (tmp_path / "x").exists()


def test_a_root_that_is_not_known_is_said_to_be_missing(home: Path, tmp_path: Path) -> None:
    (home / "tls" / "authority.pem").unlink()
    assert "the root of the certificate in force is not known" in refused(
        home, "curl", tmp_path / "x"
    )


def test_a_depot_of_the_organisations_authority_gives_that_authority(
    home: Path, tmp_path: Path
) -> None:
    organisation = tls.authority.create("plant.example")
    leaf = tls.issue(organisation, ["depot.plant.example"])
    (home / "tls" / "server.key").write_bytes(leaf.key)
    (home / "tls" / "server.pem").write_bytes(leaf.certificate)
    (home / "tls" / "anchors.pem").write_bytes(organisation.certificate)
    harness.succeed("cert", "trust", "--home", home, "--for", "curl", "--out", tmp_path / "x")
    assert (tmp_path / "x").read_bytes() == organisation.certificate
