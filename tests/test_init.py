from __future__ import annotations

import os
import re
import signal
import stat
import string
import subprocess
import time
from math import log2
from pathlib import Path
from typing import Any

import bcrypt
import harness
import pytest
import yaml

from depotserve import accounts, config
from depotserve.home import Home

LOOKALIKES = [
    set("0o"),
    set("1il"),
    set("5s"),
    set("2z"),
    set("8b"),
    set("6b"),
    set("9gq"),
    set("uv"),
]


def _init(
    home: Path, content: Path, *more: str | Path, **options: Any
) -> subprocess.CompletedProcess[bytes]:
    given = ["--home", home, "--content", content, "--user", "intake"]
    if "--host" not in more:
        given += ["--host", "localhost"]
    return harness.run("init", *given, *more, **options)


def _refused(done: subprocess.CompletedProcess[bytes]) -> str:
    """Give the one line of a refusal, which prints nothing else and ends with status 2."""
    assert done.returncode == 2
    assert done.stdout == b""
    line = done.stderr.decode()
    assert line.startswith("depotserve: ")
    assert line.count("\n") == 1
    return line[len("depotserve: ") : -1]


def _mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def test_a_home_is_made_as_the_design_lays_it_out(tmp_path: Path, tree: Path) -> None:
    home = tmp_path / "home"
    assert _init(home, tree).returncode == 0
    modes = {str(path.relative_to(home)): _mode(path) for path in home.rglob("*")}
    assert modes == {
        "depot.yaml": 0o640,
        "state/clock": 0o644,
        "accounts": 0o700,
        "accounts/users": 0o600,
        "accounts/terms.yaml": 0o600,
        "tls": 0o700,
        "tls/authority.key": 0o600,
        "tls/authority.pem": 0o644,
        "tls/server.key": 0o600,
        "tls/server.pem": 0o644,
        "state": 0o700,
        "log": 0o750,
    }
    assert _mode(home) == 0o750


def test_nothing_is_written_into_the_content(tmp_path: Path, tree: Path) -> None:
    before = {path: path.lstat() for path in [tree, *tree.rglob("*")]}
    assert _init(tmp_path / "home", tree).returncode == 0
    after = {path: path.lstat() for path in [tree, *tree.rglob("*")]}
    fields = ("st_ino", "st_mode", "st_size", "st_mtime_ns", "st_ctime_ns")
    assert {path: [getattr(s, f) for f in fields] for path, s in after.items()} == {
        path: [getattr(s, f) for f in fields] for path, s in before.items()
    }


def test_the_settings_that_it_writes_load_and_say_what_was_asked_for(
    tmp_path: Path, tree: Path
) -> None:
    home = tmp_path / "home"
    assert _init(home, tree, "--port", "9443").returncode == 0
    settings = config.load(home)
    assert settings == config.Settings(
        home=home,
        content=(config.Mount("/", tree, "any"),),
        listeners=(config.Listener("127.0.0.1", 9443),),
    )


def test_with_the_name_of_a_machine_it_listens_for_other_machines(
    tmp_path: Path, tree: Path
) -> None:
    hosts = ["--host", "depot.plant.example", "--host", "127.0.0.1"]
    assert _init(tmp_path / "home", tree, *hosts).returncode == 0
    settings = config.load(tmp_path / "home")
    addresses = [listener.address for listener in settings.listeners]
    assert addresses in (["0.0.0.0"], ["0.0.0.0", "::"])  # noqa: S104
    assert all(listener.tls == "modern" for listener in settings.listeners)


def test_a_folder_with_an_awkward_name_can_be_served(tmp_path: Path) -> None:
    content = tmp_path / 'a "name": with # 50 % ünusual \\ signs\n'
    content.mkdir()
    assert _init(tmp_path / "home", content).returncode == 0
    assert config.load(tmp_path / "home").content[0].path == content


def test_it_prints_what_a_person_needs_next(tmp_path: Path, tree: Path) -> None:
    home = tmp_path / "home"
    done = _init(home, tree, "--host", "depot.plant.example", "--host", "127.0.0.1")
    printed = done.stdout.decode()
    passphrase = _printed_passphrase(printed)
    grouped = accounts.passphrase.grouped(passphrase)
    assert printed.splitlines() == [
        f"home        {home}",
        f"content     {tree}",
        "names       depot.plant.example, 127.0.0.1",
        f"authority   {home}/tls/authority.pem",
        "user        intake",
        f"passphrase  {passphrase}",
        f"            {grouped}   (the same, to be read out; without the blanks)",
        "The passphrase is shown this once; the depot keeps only its hash.",
        "",
        "Next, serve it:",
        f"  depotserve serve --home {home}",
        "and fetch from it, with a copy of the authority file on the client:",
        "  curl --cacert authority.pem --user intake https://depot.plant.example:8443/",
    ]
    assert done.stderr == b""


def _printed_passphrase(printed: str) -> str:
    (line,) = [line for line in printed.splitlines() if line.startswith("passphrase")]
    return line.split()[1]


def test_a_generated_passphrase_is_strong_and_easy_to_read(tmp_path: Path, tree: Path) -> None:
    passphrase = harness.json_of(_init(tmp_path / "home", tree, "--json").stdout)["passphrase"]
    alphabet = set(accounts.passphrase.ALPHABET)
    assert set(passphrase) <= alphabet <= set(string.ascii_letters + string.digits)
    assert len(passphrase) * log2(len(alphabet)) >= 100
    assert all(len(alphabet & alike) <= 1 for alike in LOOKALIKES)


def test_the_passphrase_is_stored_as_a_hash_only_and_opens_the_account(
    tmp_path: Path, tree: Path
) -> None:
    home = tmp_path / "home"
    printed = _printed_passphrase(_init(home, tree).stdout.decode())
    for path in home.rglob("*"):
        assert path.is_dir() or printed.encode() not in path.read_bytes()
    hashed = accounts.read(Home(home)).get("intake")
    assert hashed is not None
    assert hashed.hash.text.startswith("$2b$12$")


def test_two_homes_have_different_passphrases_keys_and_authorities(
    tmp_path: Path, tree: Path
) -> None:
    first, second = (_init(tmp_path / name, tree).stdout.decode() for name in "ab")
    assert _printed_passphrase(first) != _printed_passphrase(second)
    for name in ("authority.key", "authority.pem", "server.key", "server.pem"):
        contents = [(tmp_path / home / "tls" / name).read_bytes() for home in "ab"]
        assert contents[0] != contents[1]


def test_the_certificate_names_hosts_and_addresses_and_openssl_verifies_it(
    tmp_path: Path, tree: Path
) -> None:
    openssl = harness.need("openssl")
    hosts = ["--host", "depot.plant.example", "--host", "127.0.0.1", "--host", "::1"]
    home = tmp_path / "home"
    assert _init(home, tree, *hosts).returncode == 0
    shown = _openssl(openssl, "x509", "-in", home / "tls/server.pem", "-noout", "-text")
    # RFC 5280 section 4.2.1.6: a name is a dNSName, an address an iPAddress.
    assert "DNS:depot.plant.example, IP Address:127.0.0.1, IP Address:0:0:0:0:0:0:0:1" in shown
    for name in (["-verify_hostname", "depot.plant.example"], ["-verify_ip", "127.0.0.1"]):
        options = ["-CAfile", home / "tls/authority.pem", "-x509_strict", *name]
        assert _openssl(openssl, "verify", *options, home / "tls/server.pem").endswith(": OK\n")


def _openssl(program: str, *arguments: str | Path) -> str:
    done = subprocess.run([program, *map(str, arguments)], capture_output=True, check=True)
    return done.stdout.decode()


def test_without_a_host_it_takes_this_machines_names_and_says_which(
    tmp_path: Path, tree: Path
) -> None:
    done = harness.run("init", "--home", tmp_path / "home", "--content", tree)
    (line,) = re.findall("^names .*", done.stdout.decode(), re.MULTILINE)
    assert line.endswith(" (found on this machine)")
    assert "localhost" in line
    assert "127.0.0.1" in line


def test_a_home_inside_the_content_is_refused(tree: Path) -> None:
    said = _refused(_init(tree / "home", tree))
    assert said == f"{tree}/home: a home cannot lie inside the content tree"
    assert not (tree / "home").exists()


def test_a_home_inside_the_content_by_a_symlink_is_refused(tmp_path: Path, tree: Path) -> None:
    (tmp_path / "link").symlink_to(tree)
    said = _refused(_init(tmp_path / "link" / "home", tree))
    assert said == f"{tmp_path}/link/home: a home cannot lie inside the content tree"


def test_content_inside_the_home_is_refused(tree: Path) -> None:
    said = _refused(_init(tree.parent, tree))
    assert said == f"{tree}: content cannot lie inside the home"


def test_a_home_that_exists_is_refused_and_left_alone(tmp_path: Path, tree: Path) -> None:
    home = tmp_path / "home"
    assert _init(home, tree).returncode == 0
    before = {path: path.stat().st_mtime_ns for path in home.rglob("*")}
    said = _refused(_init(home, tree))
    assert said == f"{home}: exists already; a new or empty folder is expected"
    assert {path: path.stat().st_mtime_ns for path in home.rglob("*")} == before


def test_a_file_or_a_dangling_link_at_the_place_of_the_home_is_refused(
    tmp_path: Path, tree: Path
) -> None:
    (tmp_path / "file").touch()
    (tmp_path / "link").symlink_to(tmp_path / "nowhere")
    for name in ("file", "link"):
        said = _refused(_init(tmp_path / name, tree))
        assert said == f"{tmp_path}/{name}: exists already; a new or empty folder is expected"


def test_an_empty_folder_becomes_the_home(tmp_path: Path, tree: Path) -> None:
    (tmp_path / "home").mkdir()
    assert _init(tmp_path / "home", tree).returncode == 0
    assert config.load(tmp_path / "home").content[0].path == tree
    assert sorted(path.name for path in (tmp_path / "home").iterdir()) == [
        "accounts",
        "depot.yaml",
        "log",
        "state",
        "tls",
    ]


@pytest.mark.skipif(os.geteuid() != 0, reason="only root may give files away")
def test_a_home_made_by_root_in_a_services_folder_belongs_to_the_service(
    tmp_path: Path, tree: Path
) -> None:
    home = tmp_path / "home"
    home.mkdir()
    os.chown(home, 1234, 2345)
    assert _init(home, tree).returncode == 0
    owners = {(path.stat().st_uid, path.stat().st_gid) for path in [home, *home.rglob("*")]}
    assert owners == {(1234, 2345)}


def test_a_missing_parent_folder_is_named(tmp_path: Path, tree: Path) -> None:
    said = _refused(_init(tmp_path / "no" / "home", tree))
    assert said == f"{tmp_path}/no: No such file or directory"


def test_a_missing_tree_is_named(tmp_path: Path) -> None:
    said = _refused(_init(tmp_path / "home", tmp_path / "none"))
    assert said == f"{tmp_path}/none: No such file or directory"


def test_a_tree_that_is_a_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    said = _refused(_init(tmp_path / "home", tmp_path / "file"))
    assert said == f"{tmp_path}/file: Not a directory"


def test_a_tree_that_cannot_be_read_is_refused(tmp_path: Path, tree: Path) -> None:
    tree.chmod(0o000)
    try:
        done = _init(tmp_path / "home", tree, through=harness.bound_by_modes())
    finally:
        tree.chmod(0o755)
    assert _refused(done) == f"{tree}: Permission denied"


# What each lie or refusal of the kernel makes of init. strace puts it in the place of the call,
# as a FAT or network file system would answer.
CANNOT = {
    "fchmod:retval=0": "keep a file's mode",
    "rename:error=EPERM": "rename over a file",
    "flock:error=ENOLCK": "lock a file",
    "flock:retval=0": "lock a file",
    "fsync:error=EIO": "write a file through to the disk",
}


@pytest.mark.parametrize("fault", CANNOT)
def test_a_file_system_that_cannot_hold_a_home_is_refused(
    tmp_path: Path, tree: Path, fault: str
) -> None:
    call = fault.partition(":")[0]
    strace = [harness.need("strace"), "-qqq", "-o", "/dev/null", "-e", f"trace={call}"]
    done = _init(tmp_path / "home", tree, through=[*strace, "-e", f"inject={fault}"])
    assert _refused(done) == (
        f"{tmp_path}: its file system cannot {CANNOT[fault]}; "
        "a home needs a file system of this machine's own kind"
    )
    assert [path.name for path in tmp_path.iterdir()] == ["tree"]


def test_a_read_only_place_is_refused(tmp_path: Path, tree: Path) -> None:
    (tmp_path / "place").mkdir(mode=0o500)
    done = _init(tmp_path / "place" / "home", tree, through=harness.bound_by_modes())
    assert _refused(done) == f"{tmp_path}/place: Permission denied"


PASSPHRASES = {
    # NIST SP 800-63B-4 section 3.1.1.2: at least 15 where it is the only factor, a list of common
    # ones, and nothing of the context such as the user name.
    b"14-characters-\n": "the passphrase has 14 characters; at least 15, and at most 72 bytes",
    b"\n": "the passphrase has 0 characters; at least 15, and at most 72 bytes",
    b"intake-of-the-plant\n": "the passphrase is the user name; take another",
    b"a" * 73 + b"\n": (
        "the passphrase is 73 bytes long, over 72 bytes; at most 72 bytes: bcrypt reads no more"
    ),
    b"long enough, and \xff\n": "standard input: the first line is no UTF-8 text",
    b"x" * 5000: "standard input: the first line is over 4096 bytes",
}


@pytest.mark.parametrize("given", PASSPHRASES)
def test_a_bad_passphrase_is_refused_with_the_reason_and_leaves_nothing(
    tmp_path: Path, tree: Path, given: bytes
) -> None:
    user = ["--user", "intake-of-the-plant"]
    done = _init(tmp_path / "home", tree, *user, "--passphrase-file", "-", stdin=given)
    assert _refused(done) == PASSPHRASES[given]
    assert [path.name for path in tmp_path.iterdir()] == ["tree"]


def test_a_common_passphrase_is_refused(tmp_path: Path, tree: Path) -> None:
    # Two of the most used passwords of every published list, one after the other.
    done = _init(tmp_path / "home", tree, "--passphrase-file", "-", stdin=b"passwordsunshine\n")
    assert _refused(done) == "the passphrase is one of those guessed first; take another"


@pytest.mark.parametrize("end", [b"", b"\n", b"\r\n"])
def test_a_given_passphrase_is_taken_without_its_line_end_and_not_printed(
    tmp_path: Path, tree: Path, end: bytes
) -> None:
    file = tmp_path / "passphrase"
    file.write_bytes(b" valve 7 turns tidal " + end)
    done = _init(tmp_path / "home", tree, "--passphrase-file", file)
    assert done.returncode == 0
    assert b"valve" not in done.stdout + done.stderr
    assert b"passphrase  as given\n" in done.stdout
    stored = accounts.read(Home(tmp_path / "home")).get("intake")
    assert stored is not None
    assert bcrypt.checkpw(b" valve 7 turns tidal ", stored.hash.text.encode())


def test_a_missing_passphrase_file_is_named(tmp_path: Path, tree: Path) -> None:
    done = _init(tmp_path / "home", tree, "--passphrase-file", tmp_path / "none")
    assert _refused(done) == f"{tmp_path}/none: No such file or directory"


HOSTS = ["https://depot.plant.example", "depot.plant.example:443", "a b", ""]


@pytest.mark.parametrize("host", HOSTS)
def test_a_host_that_is_none_is_refused_and_leaves_nothing(
    tmp_path: Path, tree: Path, host: str
) -> None:
    said = _refused(_init(tmp_path / "home", tree, "--host", host))
    assert said.startswith(f"host {host!r} ")
    assert [path.name for path in tmp_path.iterdir()] == ["tree"]


@pytest.mark.parametrize("name", ["any", "anonymous", "a:b", ""])
def test_a_user_name_that_cannot_be_is_refused_and_leaves_nothing(
    tmp_path: Path, tree: Path, name: str
) -> None:
    said = _refused(_init(tmp_path / "home", tree, "--user", name))
    assert said.startswith("the name ")
    assert [path.name for path in tmp_path.iterdir()] == ["tree"]


def test_a_passphrase_is_no_option(tmp_path: Path, tree: Path) -> None:
    said = _refused(_init(tmp_path / "home", tree, "--passphrase", "x"))
    assert "No such option" in said


def test_no_home_and_no_content_are_asked_for(tmp_path: Path, tree: Path) -> None:
    env = {"DEPOT_HOME": ""}
    said = _refused(harness.run("init", "--content", tree, env=env, cwd=tmp_path))
    assert said == "no home is named; give --home DIR or set DEPOT_HOME"
    said = _refused(harness.run("init", "--home", tmp_path / "home"))
    assert said == "Missing option '--content'. (depotserve init -h says more)"


def test_the_home_may_be_named_by_the_environment(tmp_path: Path, tree: Path) -> None:
    env = {"DEPOT_HOME": str(tmp_path / "home")}
    harness.succeed("init", "--content", tree, "--host", "localhost", env=env)
    assert (tmp_path / "home" / "depot.yaml").is_file()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_an_interruption_leaves_nothing_behind(
    tmp_path: Path, tree: Path, number: signal.Signals
) -> None:
    # The bcrypt hash is made after the keys: a slow sync lets the signal fall into the work.
    strace = [harness.need("strace"), "-f", "-qqq", "-o", "/dev/null", "-e", "trace=fsync"]
    slow = [*strace, "-e", "inject=fsync:delay_enter=500000"]
    given = ["--home", tmp_path / "home", "--content", tree, "--host", "localhost"]
    process = subprocess.Popen(
        [*slow, *harness.command("init", *given)],
        env=harness.environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    _wait_for_staging(tmp_path)
    (child,) = harness.children(process.pid)
    os.kill(child, number)
    printed, said = process.communicate(timeout=60)
    assert process.returncode == 130
    assert printed == b""
    # The line end before it takes a terminal past its own ^C.
    assert said == b"\ndepotserve: interrupted\n"
    assert [path.name for path in tmp_path.iterdir()] == ["tree"]


def _wait_for_staging(folder: Path) -> None:
    deadline = time.monotonic() + 60
    while not list(folder.glob(".home.*.new/tls/*.key")):
        assert time.monotonic() < deadline
        time.sleep(0.01)


def test_password_like_files_are_named_with_their_fate(tmp_path: Path, tree: Path) -> None:
    for name in ("gateway/passwords.txt", "gateway/.passwd-old", "id_rsa", "Secret-Notes.doc"):
        (tree / name).touch()
    (tree / ".git").mkdir()
    (tree / ".git" / "passwords").touch()
    printed = _init(tmp_path / "home", tree).stdout.decode()
    block = printed.partition("The tree holds ")[2].splitlines()
    assert block[0] == "4 names that look like passwords or keys:"
    assert sorted(block[1:5]) == [
        "  Secret-Notes.doc (readers can get it)",
        "  gateway/.passwd-old (never served)",
        "  gateway/passwords.txt (readers can get it)",
        "  id_rsa (readers can get it)",
    ]


def test_of_many_password_like_files_twenty_are_named_and_the_rest_counted(
    tmp_path: Path, tree: Path
) -> None:
    for number in range(300):
        (tree / f"password-{number}").touch()
    printed = _init(tmp_path / "home", tree).stdout.decode()
    assert "The tree holds 300 names that look like passwords or keys:\n" in printed
    assert printed.count("(readers can get it)") == 20
    assert "  and 280 more\n" in printed


def test_a_name_that_is_no_utf8_or_holds_an_escape_is_printed_harmlessly(
    tmp_path: Path, tree: Path
) -> None:
    for name in (b"password\xff", b"password\x1b[2J\n", b"password\xe2\x80\xae"):
        (Path(os.fsdecode(os.path.join(os.fsencode(tree), name)))).touch()
    done = _init(tmp_path / "home", tree, env={"LC_ALL": "C.UTF-8"})
    assert done.returncode == 0
    lines = done.stdout.decode().splitlines()
    assert "  password\\x1b[2J\\n (readers can get it)" in lines
    assert "  password\\udcff (readers can get it)" in lines
    assert "  password\\u202e (readers can get it)" in lines


def test_json_is_one_document_and_tells_the_same(tmp_path: Path, tree: Path) -> None:
    (tree / "passwords.txt").touch()
    home = tmp_path / "home"
    document = harness.json_of(_init(home, tree, "--json").stdout)
    passphrase = document.pop("passphrase")
    assert len(passphrase) >= 20
    assert document == {
        "home": str(home),
        "content": str(tree),
        "names": ["localhost"],
        "user": "intake",
        "authority": str(home / "tls" / "authority.pem"),
        "suspect": {
            "served": 1,
            "hidden": 0,
            "named": [{"path": "passwords.txt", "served": True}],
        },
    }


def test_what_init_made_serves_at_once_to_a_client_that_verifies(
    tmp_path: Path, tree: Path
) -> None:
    home = tmp_path / "home"
    printed = _init(home, tree, "--port", "0").stdout.decode()
    depot = harness.start(home, workers=1)
    try:
        depot.passphrase = _printed_passphrase(printed)
        curl = harness.need("curl")
        settings = tmp_path / "curl.conf"
        settings.write_text(f'user = "intake:{depot.passphrase}"\n')
        done = subprocess.run(
            [curl, "-sS", "--cacert", depot.authority, "-K", settings, depot.url + "f26.bin"],
            capture_output=True,
            check=False,
            timeout=60,
        )
        assert (done.returncode, done.stderr) == (0, b"")
        assert done.stdout == (tree / "f26.bin").read_bytes()
    finally:
        depot.stop()


def test_yaml_reads_the_settings_as_it_reads_any_file(tmp_path: Path, tree: Path) -> None:
    assert _init(tmp_path / "home", tree).returncode == 0
    said = yaml.safe_load((tmp_path / "home" / "depot.yaml").read_text())
    assert said["format"] == 1
