from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import time
from datetime import datetime, timezone
from typing import TYPE_CHECKING, Any

import harness
import pytest

from depotserve import clock
from depotserve.home import Home
from depotserve.inspection import Grade, inspect

if TYPE_CHECKING:
    from pathlib import Path

# Published with the shared conventions: the passphrase s3cret.
APR1 = "old:$apr1$abcdefgh$M2T3erDstkD7SsE2QQnfH0\n"
DAY = 86400


@pytest.fixture
def home(tmp_path: Path, tree: Path) -> Path:
    return harness.make_home(tmp_path / "home", tree)


def _inspect(home: Path, status: int) -> list[tuple[str, str, str]]:
    """Give grade, topic and text of each finding; the status must be as said."""
    done = harness.run("inspect", "--home", home, "--json")
    assert (done.returncode, done.stderr) == (status, b"")
    document = harness.json_of(done.stdout)
    assert document["home"] == str(home)
    assert document["status"] == status
    return [(row["grade"], row["topic"], row["text"]) for row in document["findings"]]


def _unsound(home: Path, status: int) -> list[tuple[str, str, str]]:
    return [row for row in _inspect(home, status) if row[0] != "fine"]


def test_a_fresh_home_is_fine_in_every_respect(home: Path, tree: Path) -> None:
    rows = _inspect(home, 0)
    assert {grade for grade, _, _ in rows} == {"fine"}
    assert [topic for _, topic, _ in rows] == [
        "disk",
        "modes",
        "settings",
        "service user",
        "file system",
        "clock",
        "accounts",
        "certificate",
        "authority",
        "content",
        "ports",
    ]
    texts = {topic: text for _, topic, text in rows}
    assert texts["content"] == f"/: {tree}"
    assert texts["accounts"] == "users: 1, of them disabled or expired: 0"
    assert texts["certificate"].endswith(" for localhost, 127.0.0.1")


def test_the_text_has_a_line_for_each_finding_and_the_same_status(home: Path) -> None:
    done = harness.run("inspect", "--home", home)
    assert done.returncode == 0
    lines = done.stdout.decode().splitlines()
    expected = [f"{grade:<9}{topic:<13}{text}" for grade, topic, text in _inspect(home, 0)]
    # Other programs write to the same disk between the two.
    assert lines[0].startswith(f"fine     disk         {home}/state: ")
    assert lines[1:] == expected[1:]


def test_what_to_do_stands_beneath_what_is_not_fine(home: Path) -> None:
    (home / "accounts" / "users").chmod(0o604)
    done = harness.run("inspect", "--home", home)
    assert done.returncode == 1
    lines = done.stdout.decode().splitlines()
    (at,) = [number for number, line in enumerate(lines) if line.startswith("fault")]
    assert lines[at + 1] == f"{'':<22}do: chmod go-rwx {home}/accounts/users"
    assert sum("do: " in line for line in lines) == 1


def test_inspecting_changes_nothing_in_the_home(home: Path) -> None:
    _inspect(home, 0)
    before = {path: path.stat().st_mtime_ns for path in home.rglob("*") if path.is_file()}
    _inspect(home, 0)
    after = {path: path.stat().st_mtime_ns for path in home.rglob("*") if path.is_file()}
    assert before == after


def test_a_folder_that_is_no_home_is_status_2(tmp_path: Path) -> None:
    done = harness.run("inspect", "--home", tmp_path)
    assert done.returncode == 2
    assert done.stderr.decode() == (
        f"depotserve: {tmp_path}: no depot.yaml in it; a home is expected\n"
    )


def test_bad_settings_are_a_fault_with_their_line(home: Path) -> None:
    (home / "depot.yaml").write_text("format: 1\ndrian: 3\n")
    assert _unsound(home, 1) == [
        ("fault", "settings", "depot.yaml:2: drian: is no setting, did you mean drain?")
    ]


# What a setting is changed to, and the caution of it.
CAUTIONS: dict[str, tuple[dict[str, Any], str]] = {
    "a lowered minimum": (
        {"passphrase_minimum": 8},
        "passphrase_minimum is 8; 15 or more is right where the passphrase is all that protects",
    ),
    "clear text": (
        {
            "listeners": [
                {
                    "address": "0.0.0.0",  # noqa: S104
                    "port": 8080,
                    "tls": "none",
                    "i_accept_cleartext_passwords": True,
                }
            ]
        },
        "0.0.0.0 port 8080 takes passwords in clear text: whoever is on the way can read them",
    ),
    "names that are served": ({"never_serve": [".git"]}, "leaves out of the defaults: .hg, .svn"),
}


@pytest.mark.parametrize("name", CAUTIONS)
def test_what_protects_less_than_it_could_is_a_caution(home: Path, name: str) -> None:
    changes, said = CAUTIONS[name]
    harness.change_settings(home, **changes)
    rows = _unsound(home, 0)
    assert [grade for grade, _, _ in rows] == ["caution"]
    assert rows[0][2].startswith(said)


def test_an_anonymous_mount_is_a_caution(home: Path, tree: Path) -> None:
    harness.change_settings(home, content=[{"url": "/", "path": str(tree), "users": "anonymous"}])
    text = f"/ ({tree}) is served to everybody without a password"
    assert _unsound(home, 0) == [("caution", "protection", text)]


def test_an_apr1_hash_is_a_caution_that_names_the_user(home: Path) -> None:
    with (home / "accounts" / "users").open("a") as file:
        file.write(APR1)
    rows = _unsound(home, 0)
    assert len(rows) == 1
    assert rows[0][:2] == ("caution", "protection")
    assert rows[0][2].startswith("user old has an APR1 hash")


def test_a_damaged_users_file_is_a_fault_with_its_line(home: Path) -> None:
    (home / "accounts" / "users").write_text(f"{harness.USERS_LINE}broken\n")
    rows = _unsound(home, 1)
    assert {grade for grade, _, _ in rows} == {"fault"}
    assert all(text.startswith("users:2: ") for _, _, text in rows)


def test_a_home_without_any_user_is_a_fault(home: Path) -> None:
    (home / "accounts" / "users").write_text("# nobody\n")
    text = "no user is known, so nobody can sign in"
    assert _unsound(home, 1) == [("fault", "accounts", text)]


def test_a_reader_or_operator_who_is_no_user_is_a_fault(home: Path, tree: Path) -> None:
    mount = {"url": "/", "path": str(tree), "users": ["ann", "bob"]}
    harness.change_settings(home, content=[mount], operators=["eve"])
    assert _unsound(home, 1) == [
        ("fault", "accounts", "/ names bob, who is no user"),
        ("fault", "accounts", "operators names eve, who is no user"),
    ]


def test_content_that_is_gone_is_a_fault(home: Path, tree: Path) -> None:
    shutil.rmtree(tree)
    text = f"/: {tree}: No such file or directory"
    assert _unsound(home, 1) == [("fault", "content", text)]


def test_a_folder_in_the_content_that_cannot_be_listed_is_a_fault(home: Path, tree: Path) -> None:
    (tree / "gateway").chmod(0o000)
    try:
        done = harness.run("inspect", "--home", home, through=harness.bound_by_modes())
    finally:
        (tree / "gateway").chmod(0o755)
    assert done.returncode == 1
    said = f"1 folders in {tree} cannot be listed, so readers cannot either: gateway\n"
    assert f"fault    content      {said}" in done.stdout.decode()


def test_password_like_files_are_named_and_only_those_that_are_served_are_cautions(
    home: Path, tree: Path
) -> None:
    (tree / "gateway" / ".passwd-old").touch()
    (tree / "passwords.txt").touch()
    rows = _inspect(home, 0)
    looks = "looks like a password or key"
    assert ("fine", "content", f"{tree}/gateway/.passwd-old {looks}; never served") in rows
    assert ("caution", "content", f"{tree}/passwords.txt {looks}; readers can get it") in rows


SECRETS = ["accounts/users", "accounts/terms.yaml", "tls/server.key", "tls/authority.key"]


@pytest.mark.parametrize("secret", SECRETS)
def test_a_secret_that_others_can_read_is_a_fault_and_for_its_group_a_caution(
    home: Path, secret: str
) -> None:
    file = home / secret
    for mode, grade in {0o604: "fault", 0o620: "fault", 0o640: "caution"}.items():
        file.chmod(mode)
        text = f"{file} has mode {mode:04o}, so others can get at it"
        assert _unsound(home, int(grade == "fault")) == [(grade, "modes", text)]


def test_settings_that_others_can_change_are_a_fault(home: Path) -> None:
    (home / "depot.yaml").chmod(0o666)
    text = f"{home}/depot.yaml has mode 0666, so others can get at it"
    assert _unsound(home, 1) == [("fault", "modes", text)]


def test_a_certificate_and_key_that_do_not_belong_together_are_a_fault(
    home: Path, tmp_path: Path, tree: Path
) -> None:
    other = harness.init_home(tmp_path / "other", tree)
    shutil.copy(other / "tls" / "server.key", home / "tls" / "server.key")
    rows = _unsound(home, 1)
    assert [row[:2] for row in rows] == [("fault", "certificate")]
    assert "server.key" in rows[0][2]


def test_a_missing_certificate_is_a_fault(home: Path) -> None:
    (home / "tls" / "server.pem").unlink()
    text = f"{home}/tls/server.pem: No such file or directory"
    assert _unsound(home, 1) == [("fault", "certificate", text)]


def test_a_depot_without_tls_needs_no_certificate(home: Path) -> None:
    harness.change_settings(home, listeners=[{"address": "127.0.0.1", "port": 0, "tls": "none"}])
    shutil.rmtree(home / "tls")
    assert [topic for _, topic, _ in _unsound(home, 0)] == ["protection"]


def test_a_certificate_is_a_caution_before_it_ends_and_a_fault_afterwards(home: Path) -> None:
    grades = {}
    now = time.time()
    for days in (0, 700, 780, 5000):
        clock.accept(Home(home), datetime.fromtimestamp(now + days * DAY, timezone.utc))
        findings = inspect(Home(home), now=now + days * DAY)
        (found,) = [finding for finding in findings if finding.topic == "certificate"]
        grades[days] = (found.grade, found.text.split(" ")[0])
    assert {days: grade for days, (grade, _) in grades.items()} == {
        0: Grade.FINE,
        700: Grade.FINE,
        780: Grade.CAUTION,
        5000: Grade.FAULT,
    }


def test_a_clock_that_is_behind_the_certificate_is_a_fault_that_names_the_clock(
    home: Path,
) -> None:
    clock.accept(Home(home), datetime.fromtimestamp(0, timezone.utc))
    findings = inspect(Home(home), now=0)
    texts = [f.text for f in findings if f.topic == "certificate" and f.grade is Grade.FAULT]
    assert len(texts) == 1
    assert texts[0].endswith("; the clock says 1970-01-01")


def test_a_file_system_that_lost_its_locks_is_a_fault(home: Path) -> None:
    strace = [harness.need("strace"), "-qqq", "-o", "/dev/null", "-e", "trace=flock"]
    inject = ["-e", "inject=flock:error=ENOLCK"]
    done = harness.run("inspect", "--home", home, through=[*strace, *inject])
    assert done.returncode == 1
    assert b"fault    file system  cannot lock a file\n" in done.stdout


def test_a_state_folder_that_cannot_be_written_is_a_fault_since_no_depot_starts_then(
    home: Path,
) -> None:
    (home / "state").chmod(0o500)
    done = harness.run("inspect", "--home", home, through=harness.bound_by_modes())
    assert done.returncode == 1
    text = f" writes {home}/state, which cannot be written by it\n"
    assert text in done.stdout.decode()
    assert done.stdout.decode().count("fault ") == 1
    serving = harness.run("serve", "--home", home, through=harness.bound_by_modes())
    assert serving.returncode == 2
    assert "Permission denied" in serving.stderr.decode()


def test_no_finding_ever_quotes_a_hash_or_a_key(home: Path) -> None:
    users = home / "accounts" / "users"
    users.write_text(harness.USERS_LINE + "bob:$2y$04$abcdefghijklmnop\n")
    key = home / "tls" / "server.key"
    key.write_text(key.read_text()[:-40])
    done = harness.run("inspect", "--home", home)
    assert done.returncode == 1
    for line in key.read_text().splitlines()[1:-1]:
        assert line.encode() not in done.stdout + done.stderr
    assert b"abcdefghijklmnop" not in done.stdout + done.stderr


def test_the_home_may_be_the_current_folder(home: Path) -> None:
    env = {"DEPOT_HOME": ""}
    done = harness.run("inspect", "--json", cwd=home, env=env)
    assert harness.json_of(done.stdout)["home"] == os.path.realpath(home)


def test_on_a_terminal_it_is_a_table_that_no_name_can_disturb(home: Path, tree: Path) -> None:
    script = harness.need("script")
    (tree / "passwords\x1b[2J[bold]\n").touch()
    # script(1) gives the command a terminal.
    command = shlex.join(harness.command("inspect", "--home", home))
    done = subprocess.run(
        [script, "-qefc", command, "/dev/null"],
        env={**harness.environment(), "TERM": "xterm", "COLUMNS": "80"},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        check=False,
        timeout=60,
    )
    assert done.returncode == 0, done.stdout
    assert b"\x1b[2J" not in done.stdout
    shown = re.sub(rb"\s+", b"", done.stdout)
    assert rb"passwords\x1b[2J[bold]\nlookslikeapassword" in shown
    assert b"\x1b[33mcaution" in shown
    assert b"do:takeitoutofthetree" in shown
