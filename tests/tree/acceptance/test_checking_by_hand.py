"""`depotserve tree check` as a person runs it: its text, its JSON, what it leaves, its end."""

from __future__ import annotations

import contextlib
import datetime as dt
import gzip
import hashlib
import json
import os
import re
import shutil
import signal
import sqlite3
import stat
import subprocess
import time
from typing import TYPE_CHECKING, Any, Callable

import harness
import pytest
from check_kit import check

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

PUMP, VALVE = b"intake pump firmware\n" * 40, b"brine valve firmware\n" * 30


def sums(files: dict[str, bytes]) -> bytes:
    rows = (f"{hashlib.sha256(data).hexdigest()}  {name}\n" for name, data in files.items())
    return "".join(rows).encode()


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """Lay a tree with one file damaged, one missing, and one in no list."""
    root = tmp_path / "tree"
    (root / "fw").mkdir(parents=True)
    named = {"fw/pump.img": PUMP, "fw/valve.img": VALVE, "fw/gone.img": b"gone"}
    (root / "SHA256SUMS").write_bytes(sums(named))
    (root / "fw" / "pump.img").write_bytes(PUMP)
    (root / "fw" / "valve.img").write_bytes(PUMP)
    (root / "notes.txt").write_bytes(b"notes")
    return root


def settle() -> None:
    """Wait until files are so old that what is read of them is remembered: two seconds."""
    time.sleep(2.2)


def text(root: Path, *options: str | Path, status: int = 1) -> str:
    done = harness.run("tree", "check", root, "--state", root.parent / "state", *options)
    assert (done.returncode, done.stderr) == (status, b"")
    return done.stdout.decode()


# What it prints.


def test_the_text_says_what_was_found_and_ends_with_what_is_to_be_fetched(root: Path) -> None:
    said = text(root)
    assert said.startswith(f"{root}: 4 files, ")
    for word in (
        "weakest digest that vouches for a file: sha256 for 1",
        "authenticated: 0, self-consistent only: 1, unknown: 3",
        "SHA256SUMS: checksum list, 2 of 3 files here",
        "For information, in no list: 1",
        "Not checked\n  malware",
    ):
        assert word in said
    order = [said.index(word) for word in ("\nMissing: 1\n", "\nDigest differs: 1\n", "\nTo do: ")]
    assert order == sorted(order)
    tail = said[said.index("\nTo do: ") :].strip().splitlines()
    assert [line.split()[0] for line in tail[1:3]] == ["fw/gone.img", "fw/valve.img"]
    assert f"sha256:{hashlib.sha256(b'gone').hexdigest()}" in tail[1]
    assert tail[3] == ""
    assert tail[4] == "No digest vouches for 3 of the 4 files."
    assert "Nobody who is trusted has signed these files" in tail[5]
    assert tail[6:] == ["2 faults."]


def test_a_name_in_the_text_moves_no_cursor_and_leaves_its_line_alone(tmp_path: Path) -> None:
    root = tmp_path / "tree"
    root.mkdir()
    odd = b"a\nb\x1b[2J\xff\xe2\x80\xae"
    with open(os.fsencode(root) + b"/" + odd, "wb") as file:
        file.write(PUMP)
    (root / "SHA256SUMS").write_bytes(sums({"gone\x1b]0;x\x07": b""}))
    done = harness.run("tree", "check", root, "--state", tmp_path / "state")
    assert done.returncode == 1
    assert not {b"\x1b", b"\x07", b"\xff", "\u202e".encode()} & {
        done.stdout[at : at + size] for size in (1, 3) for at in range(len(done.stdout))
    }
    said = done.stdout.decode()
    assert "a\\nb\\x1b[2J\\udcff\\u202e" in said
    assert "gone\\x1b]0;x\\x07" in said
    found = check(root, tmp_path / "state")
    assert os.fsdecode(odd) in {one["path"] for one in found.document["findings"]}


# The whole of the schema, in one place: what other programs read must not change unseen.
HEAD = {
    *("tree", "status", "faults", "files", "bytes", "vouched_by_weakest", "marks", "not_checked"),
    "not_remembered",
    *("counts", "lists", "signatures", "rules", "findings", "to_do", "entries"),
}
ROWS = {
    "lists": {
        *("path", "kind", "guessed", "detail", "relative_to", "in_tree", "named", "here", "signer")
    },
    "findings": {"kind", "fault", "path", "line", "detail", "accepted_by_rule"},
    "to_do": {"path", "why", "size", "digest"},
    "entries": {"path", "size", "mark", "signer", "weakest", "strongest"},
    "signatures": {"path", "of", "state", "vendor", "fingerprint", "detail"},
    "rules": {"finding", "path", "size", "reason", "by", "until", "over", "accepted"},
}
SOON = dt.datetime.now(tz=dt.timezone.utc).date() + dt.timedelta(days=30)
ACCEPT = f"""\
format: 1
accept:
  - finding: missing
    path: fw/gone.img
    reason: replaced by the valve's own image
    by: shift lead
    until: {SOON}
"""


def test_the_json_is_one_document_whose_keys_are_these(root: Path, tmp_path: Path) -> None:
    (root / "notes.txt.asc").write_text(
        "-----BEGIN PGP SIGNATURE-----\n\nnothing\n-----END PGP SIGNATURE-----\n"
    )
    accept = tmp_path / "accept.yaml"
    accept.write_text(ACCEPT)
    document = check(root, tmp_path / "state", "--accept", accept).document
    assert set(document) == HEAD
    for name, keys in ROWS.items():
        assert document[name], name
        assert {frozenset(row) for row in document[name]} == {frozenset(keys)}, name
    assert set(document["marks"]) == {"authenticated", "self-consistent only", "unknown"}
    assert sum(document["marks"].values()) == document["files"] == len(document["entries"])


def test_an_unfinished_download_is_to_be_fetched_to_where_it_belongs(root: Path) -> None:
    (root / "fw" / "gone.img").write_bytes(b"go")
    (root / "fw" / "gone.img.aria2").write_bytes(b"x")
    (root / "fw" / "new.img.part").write_bytes(b"x")
    wanted = check(root, root.parent / "state").document["to_do"]
    assert [(one["path"], one["why"]) for one in wanted] == [
        ("fw/gone.img", "digest differs"),
        ("fw/valve.img", "digest differs"),
        ("fw/new.img", "unfinished"),
    ]


def test_what_a_rule_accepts_is_no_fault_until_the_rule_ends(root: Path, tmp_path: Path) -> None:
    (root / "fw" / "valve.img").write_bytes(VALVE)
    accept = tmp_path / "accept.yaml"
    accept.write_text(ACCEPT)
    found = check(root, tmp_path / "state", "--accept", accept)
    assert (found.status, found.document["faults"]) == (0, 0)
    (one,) = (one for one in found.document["findings"] if one["kind"] == "missing")
    assert one["accepted_by_rule"] == 1
    assert found.document["to_do"] == []
    (rule,) = found.document["rules"]
    assert (rule["accepted"], rule["by"]) == (1, "shift lead")
    said = text(root, "--accept", accept, status=0)
    assert "fw/gone.img  by SHA256SUMS:3  (accepted by rule 1)" in said
    accept.write_text(ACCEPT.replace(str(SOON), "2001-01-01"))
    assert check(root, tmp_path / "state", "--accept", accept).status == 1


@pytest.mark.parametrize("options", [[], ["--json"]], ids=["text", "json"])
def test_a_reader_that_goes_away_ends_it_without_a_traceback(
    options: list[str], root: Path
) -> None:
    for number in range(2000):
        (root / f"{number}.txt").write_bytes(b"x")
    command = harness.command("tree", "check", root, "--state", root.parent / "state", *options)
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=harness.environment()
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.read(1)
        process.stdout.close()
        errors = process.stderr.read()
        process.wait(timeout=60)
    assert errors == b""


# What it leaves alone, and what it remembers.


def look(root: Path) -> dict[str, Any]:
    """Give all that a write into a tree would change; access times are of reading."""
    found = {}
    for path in (root, *root.rglob("*")):
        state = path.lstat()
        found[str(path)] = (*state[:7], state.st_mtime_ns, state.st_ctime_ns)
    return found


def test_nothing_is_written_into_the_tree(root: Path, tmp_path: Path) -> None:
    (root / "link").symlink_to("fw/pump.img")
    keys = tmp_path / "keys"
    before = look(root)
    text(root, "--fresh")
    text(root)
    check(root, tmp_path / "state", "--digest", "notes.txt=" + hashlib.sha256(b"notes").hexdigest())
    assert look(root) == before
    assert not keys.exists()


def test_a_tree_that_nobody_may_write_into_is_checked_by_somebody_else(
    root: Path, tmp_path: Path
) -> None:
    for path in (root, *root.rglob("*")):
        path.chmod(0o555 if path.is_dir() else 0o444)
    try:
        done = harness.run(
            *("tree", "check", root, "--state", tmp_path / "state", "--json"),
            through=harness.bound_by_modes(),
        )
    finally:
        for path in (root, *root.rglob("*")):
            path.chmod(0o755 if path.is_dir() else 0o644)
    assert (done.returncode, done.stderr) == (1, b"")
    assert json.loads(done.stdout)["faults"] == 2


def files_opened(root: Path, *options: str) -> set[str]:
    """Check under strace(1), and give the files of the tree that were opened."""
    calls = root.parent / "calls"
    strace = [harness.need("strace"), "-f", "-qq", "-e", "trace=openat", "-o", str(calls)]
    state = ("--state", root.parent / "state")
    done = harness.run("tree", "check", root, *state, *options, through=strace)
    assert done.returncode == 1, done.stderr
    # Without its result: another thread's call may come in between.
    opened = re.findall(
        rf'openat\([^"]*"{re.escape(str(root))}/([^"]*)", O_RDONLY', calls.read_text()
    )
    return {path for path in opened if (root / path).is_file()}


@pytest.mark.slow
def test_a_second_run_reads_no_content_but_that_of_lists_and_a_fresh_one_reads_all(
    root: Path,
) -> None:
    settle()
    everything = {"SHA256SUMS", "fw/pump.img", "fw/valve.img", "notes.txt"}
    assert files_opened(root) == everything
    assert files_opened(root) == {"SHA256SUMS"}
    assert files_opened(root, "--fresh") == everything
    # What was written anew is read, whatever its times say.
    before = (root / "notes.txt").stat()
    (root / "notes.txt").write_bytes(b"other")
    os.utime(root / "notes.txt", ns=(before.st_atime_ns, before.st_mtime_ns))
    assert files_opened(root) == {"SHA256SUMS", "notes.txt"}


@pytest.mark.slow
def test_state_is_kept_where_it_is_wanted_and_never_in_the_tree(root: Path, tmp_path: Path) -> None:
    text(root)
    assert stat.S_IMODE((tmp_path / "state").stat().st_mode) == 0o700
    for place in (root, root / "state", root / "fw" / ".." / "x"):
        done = harness.run("tree", "check", root, "--state", place)
        assert (done.returncode, done.stdout) == (2, b"")
        assert b"the state would lie in the tree" in done.stderr
    home = harness.run("tree", "check", root, env={"XDG_STATE_HOME": str(tmp_path / "own")})
    assert home.returncode == 1
    assert (tmp_path / "own" / "depotserve" / "digests.db").exists()
    assert not (root / "state").exists()


# What ends it.


def refused(*arguments: str | Path, through: list[str] | None = None) -> str:
    """Give the one line of an error of the caller's or of the surroundings."""
    done = harness.run("tree", "check", *arguments, through=through or ())
    assert (done.returncode, done.stdout) == (2, b"")
    (line,) = done.stderr.decode().splitlines()
    return line


@pytest.mark.slow
def test_what_cannot_be_checked_is_said_in_one_line(root: Path, tmp_path: Path) -> None:
    state = ("--state", tmp_path / "state")
    assert "Not a directory" in refused(root / "notes.txt", *state)
    assert "No such file" in refused(root / "absent", *state)
    for option, file in (("--expect", "no.txt"), ("--rules", "no.yaml"), ("--accept", "no.yaml")):
        assert "no such file" in refused(root, *state, option, tmp_path / file)
    assert str(tmp_path / "no") in refused(root, *state, "--keys", tmp_path / "no")
    assert "no such file in the tree" in refused(root, *state, "--digest", f"x={'0' * 64}")
    assert "no FILE=HEX" in refused(root, *state, "--digest", "notes.txt")
    wrong = tmp_path / "rules.yaml"
    wrong.write_text("format: 1\ncatalogs: [{match: }]\n")
    assert "rules.yaml" in refused(root, *state, "--rules", wrong)
    (root.parent / "closed").mkdir(mode=0)
    try:
        line = refused(root.parent / "closed", *state, through=harness.bound_by_modes())
    finally:
        (root.parent / "closed").chmod(0o700)
    assert "Permission denied" in line


@pytest.fixture
def large(tmp_path: Path) -> Iterator[Path]:
    """Lay what takes long to read: small files, and a sparse one of 64 GiB."""
    root = tmp_path / "large"
    root.mkdir()
    (root / "pump.img").write_bytes(PUMP)
    for number in range(200):
        (root / f"{number}.img").write_bytes(b"%d" % number)
    (root / "SHA256SUMS").write_bytes(sums({"pump.img": PUMP}))
    with (root / "zeros.raw").open("wb") as file:
        file.truncate(64 << 30)
    settle()
    yield root
    shutil.rmtree(root)


def wait_for(look: Callable[[], Any]) -> Any:
    """Give what `look` finds, once it finds anything."""
    deadline = time.monotonic() + 60
    while not (found := look()):
        assert time.monotonic() < deadline
        time.sleep(0.02)
    return found


def interrupted(process: subprocess.Popen[bytes]) -> bool:
    """Interrupt as a terminal does, every process of the group; it must end as it should."""
    os.killpg(process.pid, signal.SIGINT)
    out, errors = process.communicate(timeout=30)
    assert (process.returncode, out) == (130, b"")
    assert errors.strip().splitlines()[-1] == b"depotserve: interrupted"
    return True


@pytest.mark.slow
def test_ctrl_c_while_an_archive_is_walked_does_not_wait_for_its_end(tmp_path: Path) -> None:
    root = tmp_path / "tree"
    root.mkdir()
    # Members one after the other (RFC 1952 section 2.2), of what takes long to unpack.
    member = gzip.compress(os.urandom(1 << 18) + bytes(64 << 20), 1)
    with (root / "plant.gz").open("wb") as file:
        for _ in range(600):
            file.write(member)
    command = harness.command("tree", "check", root, "--state", tmp_path / "state")
    process = subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=harness.environment(),
        start_new_session=True,
    )
    # Those that hash are gone: then it is walked.
    wait_for(lambda: harness.children(process.pid))
    wait_for(lambda: not harness.children(process.pid))
    time.sleep(1)
    begun = time.monotonic()
    assert interrupted(process)
    assert time.monotonic() - begun < 20
    (root / "plant.gz").unlink()


@pytest.mark.slow
def test_ctrl_c_ends_it_with_130_and_what_was_read_stays_known(large: Path, tmp_path: Path) -> None:
    state = tmp_path / "state"
    command = harness.command("tree", "check", large, "--state", state)
    process = subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=harness.environment(),
        start_new_session=True,
    )
    children = wait_for(lambda: harness.children(process.pid))
    time.sleep(4)  # in which the small files are read, where there is a second core
    assert interrupted(process)
    assert not any(os.path.exists(f"/proc/{child}") for child in children)
    with contextlib.closing(sqlite3.connect(state / "digests.db")) as database:
        assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    (large / "zeros.raw").unlink()
    found = check(large, state)
    assert (found.status, found.faults) == (0, set())
