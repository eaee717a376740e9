"""`depotserve user` as a person or a script runs it: words, exit status, and what it leaves."""

from __future__ import annotations

import json
import os
import pty
import re
import select
import subprocess
import time
from datetime import datetime, timedelta, timezone
from typing import TYPE_CHECKING, Any

import attrs
import harness
import pytest
from account_kit import APR1, OTHER, S3CRET

from depotserve import accounts, home
from depotserve.accounts import terms_edit
from depotserve.accounts.terms import Terms

if TYPE_CHECKING:
    from pathlib import Path

GOOD = b"tidal basin heron 9\n"
TAKEN = "A running depot takes this within 3 s.\n"
DATE = r"20\d\d-\d\d-\d\dT\d\d:\d\d:\d\dZ"


@attrs.frozen
class Desk:
    """A home, and the command that is run on it."""

    root: Path

    @property
    def users(self) -> Path:
        """Name the users file."""
        return self.root / "accounts" / "users"

    @property
    def terms(self) -> Path:
        """Name the terms."""
        return self.root / "accounts" / "terms.yaml"

    def run(self, *arguments: str, stdin: bytes = b"") -> tuple[int, str, str]:
        """Run a command of the group; give status, output and complaint."""
        done = harness.run("user", *arguments, "--home", str(self.root), stdin=stdin)
        return done.returncode, done.stdout.decode(), done.stderr.decode()

    def succeed(self, *arguments: str, stdin: bytes = b"") -> str:
        """Run one that must end with 0 and complain of nothing."""
        status, said, complaint = self.run(*arguments, stdin=stdin)
        assert (status, complaint) == (0, "")
        return said

    def add(self, name: str, *options: str, passphrase: bytes = GOOD) -> str:
        """Add a user."""
        return self.succeed("add", name, "--passphrase-file", "-", *options, stdin=passphrase)

    def test(self, name: str, passphrase: bytes) -> int:
        """Try a passphrase; give the status."""
        return self.run("test", name, "--passphrase-file", "-", stdin=passphrase)[0]

    def rows(self) -> dict[str, Any]:
        """List the users by name."""
        document = json.loads(self.succeed("list", "--json"))
        return {row["name"]: row for row in document["users"]}


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    """Make a home by hand, with little to hash and to start."""
    root, content = tmp_path / "home", tmp_path / "content"
    content.mkdir()
    for folder in ("accounts", "state", "log", "tls"):
        (root / folder).mkdir(parents=True)
    (root / "depot.yaml").write_text(
        f'format: 1\ncontent:\n  - url: /\n    path: "{content}"\n    users: any\n'
        "listeners:\n  - address: 127.0.0.1\n    port: 0\nbcrypt_cost: 10\n"
    )
    accounts.create(home.Home(root), "ann", "first passphrase of hers", 4)
    return Desk(root)


def test_a_user_is_added_tested_and_listed(desk: Desk) -> None:
    assert desk.add("b b") == "User b b is added.\n" + TAKEN
    assert desk.test("b b", GOOD) == 0
    assert desk.test("b b", b"tidal basin heron 9\r\n") == 0
    assert desk.test("b b", b" tidal basin heron 9\n") == 1
    assert desk.succeed("list") == (
        "NAME  HASH       STATE  EXPIRES  PREVIOUS PASSPHRASE\n"
        "ann   bcrypt 4   open   -        -\n"
        "b b   bcrypt 10  open   -        -\n"
    )
    assert os.stat(desk.users).st_mode & 0o777 == 0o600


def test_a_generated_passphrase_is_printed_once_in_both_forms(desk: Desk) -> None:
    said = desk.succeed("add", "bob", "--generate")
    found = re.search(r"^Passphrase, shown this once: ([a-z0-9]{25})$", said, re.MULTILINE)
    assert found
    assert f"(without the blanks): {accounts.passphrase.grouped(found[1])}\n" in said
    assert desk.test("bob", found[1].encode()) == 0
    assert found[1].encode() not in desk.users.read_bytes()


@pytest.mark.parametrize(
    ("passphrase", "message"),
    [
        (b"short\n", "the passphrase has 5 characters; at least 15, and at most 72 bytes"),
        (b"", "the passphrase has 0 characters; at least 15, and at most 72 bytes"),
        (b"passwordpassword\n", "the passphrase repeats a shorter text; take another"),
        (b"intake.station.four", "the passphrase is the user name; take another"),
        (b"a" * 73, "the passphrase is 73 bytes long, over 72 bytes"),
        ("\u00e9".encode() * 37, "the passphrase is 74 bytes long, over 72 bytes"),
        (b"tidal basin\0heron", "the passphrase holds a control character; take it out"),
        (b"tidal basin heron \xff", "standard input: the first line is no UTF-8 text"),
    ],
)
def test_a_passphrase_that_may_not_be_set_changes_nothing(
    desk: Desk, passphrase: bytes, message: str
) -> None:
    before = desk.users.read_bytes()
    for verb, name in (("add", "intake.station.four"), ("passwd", "ann")):
        if name == "ann" and b"intake" in passphrase:
            continue
        status, said, complaint = desk.run(verb, name, "--passphrase-file", "-", stdin=passphrase)
        assert (status, said) == (2, "")
        assert complaint.startswith(f"depotserve: {message}")
        assert complaint.count("\n") == 1
    assert desk.users.read_bytes() == before


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["add", "ann", "--generate"], "user ann exists; user passwd sets another passphrase"),
        (["add", "any", "--generate"], "the name any means every signed-in user in depot.yaml"),
        (["add", "a:b", "--generate"], "the name holds a colon; a name is 1 to 255 bytes"),
        (["add", "", "--generate"], "the name is empty"),
        (["add", " b", "--generate"], "the name begins or ends with a blank"),
        (["add", "#b", "--generate"], "a line that begins with # is a comment"),
        (["add", "b\n", "--generate"], "the name begins or ends with a blank"),
        (["add", "b\x1b[2J", "--generate"], "the name holds a control character"),
        (["add", "b\udcff", "--generate"], "the name is not UTF-8"),
        (["add", "bob"], "there is no terminal to ask for a passphrase; give --passphrase-file"),
        (["add", "bob", "--generate", "--expires", "soon"], "--expires: 'soon' is no date; a day"),
        (
            ["add", "bob", "--generate", "--expires", "2020-01-01"],
            "--expires: 2020-01-01 is past; user disable keeps a user out",
        ),
        (
            ["add", "bob", "--generate", "--passphrase-file", "-"],
            "--generate and --passphrase-file exclude each other",
        ),
        (["passwd", "amn", "--generate"], "no user 'amn'; did you mean ann?"),
        (["passwd", "ann", "--generate", "--keep-old", "14"], "--keep-old: '14' is no span; hours"),
        (["passwd", "ann", "--generate", "--keep-old", "367d"], "--keep-old: '367d' is no span"),
        (["remove", "amn"], "no user 'amn'; did you mean ann?"),
        (["remove", "zzzzzz"], "no user 'zzzzzz'; depotserve user list shows all"),
        (["disable", "Ann"], "no user 'Ann'; did you mean ann?"),
        (["enable", "ANN"], "no user 'ANN'; did you mean ann?"),
        (["test", "amn", "--passphrase-file", "-"], "no user 'amn'; did you mean ann?"),
        (["import", "/nowhere/users"], "/nowhere/users: No such file or directory"),
        (["add"], "Missing argument 'NAME'"),
    ],
)
def test_misuse_is_one_line_and_status_2_and_changes_nothing(
    desk: Desk, arguments: list[str], message: str
) -> None:
    before = desk.users.read_bytes(), desk.terms.read_bytes()
    status, said, complaint = desk.run(*arguments)
    assert (status, said) == (2, "")
    assert complaint.startswith(f"depotserve: {message}")
    assert complaint.count("\n") == 1
    assert (desk.users.read_bytes(), desk.terms.read_bytes()) == before


def test_a_users_file_or_terms_at_fault_are_named_and_left_alone(desk: Desk) -> None:
    good = desk.users.read_bytes()
    desk.users.write_bytes(good + b"nocolon\n")
    status, _, complaint = desk.run("add", "bob", "--generate")
    assert status == 2
    assert complaint.startswith("depotserve: users:3: the line has no colon; ")
    assert desk.users.read_bytes() == good + b"nocolon\n"
    desk.users.write_bytes(good)
    desk.terms.write_bytes(desk.terms.read_bytes()[:-4])
    status, _, complaint = desk.run("list")
    assert status == 2
    assert complaint.startswith("depotserve: terms.yaml:4: the end marker is missing")


def test_disable_keeps_out_and_enable_lets_in(desk: Desk) -> None:
    desk.add("bob")
    assert desk.succeed("disable", "bob") == (
        f"User bob is disabled.\n{TAKEN[:-1]} A transfer under way goes on to its end.\n"
    )
    status, _, complaint = desk.run("test", "bob", "--passphrase-file", "-", stdin=GOOD)
    assert (status, complaint) == (
        1,
        "depotserve: the passphrase is bob's, but user bob is disabled\n",
    )
    status, _, complaint = desk.run("test", "bob", "--passphrase-file", "-", stdin=b"x")
    assert (status, complaint) == (
        1,
        "depotserve: the passphrase is not bob's, and user bob is disabled\n",
    )
    assert desk.rows()["bob"]["disabled"] is True
    status, _said, complaint = desk.run("passwd", "bob", "--generate")
    assert (status, complaint) == (
        0,
        "warning: user bob is disabled, so still cannot sign in\n",
    )
    assert desk.succeed("enable", "bob") == "User bob is enabled.\n" + TAKEN
    assert desk.rows()["bob"]["open"] is True


def test_an_expiry_is_set_told_and_taken_away(desk: Desk) -> None:
    assert desk.add("bob", "--expires", "2099-03-31") == (
        "User bob is added until 2099-04-01T00:00:00Z.\n" + TAKEN
    )
    assert desk.rows()["bob"]["expires"] == "2099-04-01T00:00:00Z"
    past = datetime.now(timezone.utc).replace(microsecond=0)
    desk.terms.write_bytes(terms_edit.amend(desk.terms.read_bytes(), {"bob": Terms(expires=past)}))
    status, _, complaint = desk.run("test", "bob", "--passphrase-file", "-", stdin=GOOD)
    assert status == 1
    assert re.fullmatch(
        rf"depotserve: the passphrase is bob's, but user bob expired at {DATE}\n", complaint
    )
    assert "expired" in desk.succeed("list")
    desk.succeed("enable", "bob", "--expires", "never")
    assert desk.rows()["bob"]["expires"] is None
    assert desk.test("bob", GOOD) == 0


def test_keep_old_lets_both_passphrases_in_until_the_date(desk: Desk) -> None:
    said = desk.succeed("passwd", "ann", "--keep-old", "14d", "--passphrase-file", "-", stdin=GOOD)
    assert re.fullmatch(
        rf"User ann has another passphrase\.\nThe old one counts as well until {DATE}\.\n{TAKEN}",
        said,
    )
    assert desk.test("ann", GOOD) == 0
    old = desk.succeed("test", "ann", "--passphrase-file", "-", stdin=b"first passphrase of hers\n")
    assert re.fullmatch(rf"This is ann's previous passphrase, right until {DATE}\.\n", old)
    row = desk.rows()["ann"]["previous"]
    until = datetime.strptime(row["until"], "%Y-%m-%dT%H:%M:%S%z")
    ahead = until - datetime.now(timezone.utc)
    assert timedelta(days=13, hours=23) < ahead <= timedelta(days=14)
    assert row["in_force"] is True
    assert row["last_used"] is None
    assert "last used" not in desk.succeed("list")
    desk.succeed("passwd", "ann", "--generate")
    assert desk.rows()["ann"]["previous"] is None
    assert desk.test("ann", GOOD) == 1


def test_list_says_who_still_uses_the_previous_passphrase(desk: Desk) -> None:
    desk.succeed("passwd", "ann", "--keep-old", "2w", "--generate")
    known = accounts.read(home.Home(desk.root)).users["ann"]
    assert known.terms.previous is not None
    accounts.usage.mark(desk.root / "state", "ann", known.terms.previous.hash)
    used = desk.rows()["ann"]["previous"]["last_used"]
    assert re.fullmatch(DATE, used)
    assert f", last used {used}\n" in desk.succeed("list")
    desk.succeed("passwd", "ann", "--keep-old", "2w", "--generate")
    assert desk.rows()["ann"]["previous"]["last_used"] is None
    assert list((desk.root / "state" / "previous").iterdir()) == []


def test_remove_takes_the_user_and_the_terms_and_names_what_still_mentions_it(desk: Desk) -> None:
    desk.add("bob", "--expires", "2099-03-31")
    harness.change_settings(desk.root, operators=["bob"])
    status, said, complaint = desk.run("remove", "bob")
    assert (status, said) == (
        0,
        f"User bob is removed.\n{TAKEN[:-1]} A transfer under way goes on to its end.\n",
    )
    assert complaint == (
        "warning: depot.yaml still names bob under operators; take the name out there\n"
    )
    assert b"bob" not in desk.users.read_bytes() + desk.terms.read_bytes()
    assert desk.run("remove", "bob")[0] == 2


def test_a_user_can_be_kept_out_while_the_settings_are_broken(desk: Desk) -> None:
    desk.add("bob")
    (desk.root / "depot.yaml").write_text("nonsense: [\n")
    assert desk.run("disable", "ann")[0] == 0
    assert desk.run("remove", "bob")[0] == 0
    assert desk.rows()["ann"]["disabled"] is True
    assert desk.run("add", "cy", "--generate")[0] == 2


def test_the_last_user_can_be_removed_and_that_is_said(desk: Desk) -> None:
    status, _, complaint = desk.run("remove", "ann")
    assert (status, complaint) == (
        0,
        "warning: no user is left, so nobody can sign in\n",
    )
    assert desk.succeed("list") == "No user is known.\n"
    desk.add("bob")
    assert list(desk.rows()) == ["bob"]


def test_one_whom_no_content_lets_in_is_told_so(desk: Desk) -> None:
    content = [{"url": "/", "path": str(desk.root.parent / "content"), "users": ["ann"]}]
    harness.change_settings(desk.root, content=content)
    assert "No content lets bob in yet: add the name to users in depot.yaml.\n" in desk.add("bob")


def test_import_takes_all_or_nothing_and_names_each_line(desk: Desk, tmp_path: Path) -> None:
    other = tmp_path / "other"
    other.write_bytes(
        b"\xef\xbb\xbf# theirs\r\n"
        + f"bob:{S3CRET}\r\nnocolon\nann:{APR1}\nbob:{APR1}\ncy:{{SHA}}x\n".encode()
    )
    before = desk.users.read_bytes()
    status, said, complaint = desk.run("import", str(other))
    assert (status, said) == (1, "")
    kinds = "bcrypt ($2a$, $2b$, $2y$) and APR1 ($apr1$) hashes are taken"
    shapes = "a line is name:hash, blank, or a comment that begins with #"
    assert complaint.splitlines() == [
        f"{other}:3: the line has no colon; {shapes}",
        f"{other}:4: user ann exists; --replace takes the file's hash for them",
        f"{other}:5: bob stands on line 2 already; one line a user",
        f"{other}:6: no hash of a kind that is taken; {kinds}",
        f"depotserve: {other}: 4 lines are at fault, so nothing was taken in",
    ]
    assert desk.users.read_bytes() == before
    other.write_text(f"bob:{S3CRET}\nann:{APR1}\n")
    desk.succeed("disable", "ann")
    status, said, complaint = desk.run("import", str(other), "--replace")
    assert (status, said) == (0, "2 users taken in: 1 new, 1 replaced.\n" + TAKEN)
    assert complaint.startswith("warning: user ann has an APR1 hash, which is guessed quickly")
    assert desk.test("bob", b"s3cret") == 0
    assert desk.rows()["ann"]["disabled"] is True
    assert desk.rows()["ann"]["hash"] == "apr1"


def test_an_apr1_user_is_warned_about_in_the_list(desk: Desk) -> None:
    desk.users.write_text(f"old:{APR1}\n")
    status, said, complaint = desk.run("list")
    assert status == 0
    assert "old   apr1  open" in said
    assert complaint == (
        "warning: user old has an APR1 hash, which is guessed quickly from a copy of the file: "
        "depotserve user passwd old makes a bcrypt hash\n"
    )
    document = json.loads(desk.succeed("list", "--json"))
    assert len(document["warnings"]) == 1


def test_a_trial_prints_json_and_keeps_its_status(desk: Desk) -> None:
    for offered, right, status in ((b"first passphrase of hers", True, 0), (b"x", False, 1)):
        found = desk.run("test", "ann", "--json", "--passphrase-file", "-", stdin=offered)
        assert (found[0], found[2]) == (status, "")
        assert json.loads(found[1]) == {
            "user": "ann",
            "right": right,
            "previous": False,
            "disabled": False,
            "open": True,
            "lets_in": right,
        }


def test_comments_order_owner_and_mode_stay(desk: Desk) -> None:
    desk.users.write_bytes(f"# day\r\nzoe:{S3CRET}\r\n\r\n# night\r\namy:{OTHER}\r\n".encode())
    desk.terms.write_bytes(b"format: 1\nusers:\n  amy: {disabled: true}  # ill\n# end\n...\n")
    os.chmod(desk.users, 0o640)
    os.chmod(desk.terms, 0o640)
    if os.geteuid() == 0:
        os.chown(desk.users, 4321, 4322)
    owner = os.stat(desk.users)
    desk.succeed("passwd", "zoe", "--generate")
    desk.add("bob", "--expires", "2099-01-01")
    lines = desk.users.read_bytes().split(b"\r\n")
    assert [line.split(b":")[0] for line in lines] == [
        b"# day", b"zoe", b"", b"# night", b"amy", b"bob", b"",
    ]  # fmt: skip
    assert b"  amy: {disabled: true}  # ill\n" in desk.terms.read_bytes()
    assert desk.terms.read_bytes().endswith(b"# end\n...\n")
    for file in (desk.users, desk.terms):
        assert os.stat(file).st_mode & 0o777 == 0o640
    after = os.stat(desk.users)
    assert (after.st_uid, after.st_gid) == (owner.st_uid, owner.st_gid)
    assert sorted(os.listdir(desk.users.parent)) == ["terms.yaml", "users"]


ADDING = """
import sys
from depotserve.cli import run
home, passphrase, process = sys.argv[1:]
for each in range(25):
    try:
        run(["user", "add", f"user{process}x{each}", "--home", home, "--expires", "2099-01-01",
             "--passphrase-file", passphrase])
    except SystemExit as end:
        if end.code:
            raise
"""


@pytest.mark.slow
def test_eight_processes_that_add_25_users_each_at_once_lose_none(
    desk: Desk, tmp_path: Path
) -> None:
    file = tmp_path / "passphrase"
    file.write_bytes(GOOD)
    running = [
        subprocess.Popen(
            [*harness.command()[:-2], "-c", ADDING, desk.root, file, str(each)],
            env=harness.environment(),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
        )
        for each in range(8)
    ]
    for process in running:
        _, complaint = process.communicate(timeout=240)
        assert process.returncode == 0, complaint.decode()
    names = {f"user{process}x{each}" for process in range(8) for each in range(25)}
    rows = desk.rows()
    assert set(rows) == names | {"ann"}
    assert all(rows[name]["expires"] == "2099-01-02T00:00:00Z" for name in names)


def talk(arguments: list[str], answers: list[bytes]) -> tuple[int, bytes]:
    """Run a command on a terminal and answer its questions."""
    terminal, its_side = pty.openpty()
    process = subprocess.Popen(
        arguments,
        stdin=its_side,
        stdout=its_side,
        stderr=its_side,
        env=harness.environment(),
        start_new_session=True,  # so that it cannot ask on the terminal of whoever runs the tests
    )
    os.close(its_side)
    said, waiting = b"", list(answers)
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        if not select.select([terminal], [], [], 0.2)[0]:
            continue
        try:
            said += os.read(terminal, 4096)
        except OSError:  # Linux: the other side was closed
            break
        if waiting and said.endswith(b": "):  # the blank comes when the echo is off
            os.write(terminal, waiting.pop(0) + b"\n")
            said += b"\n"
    os.close(terminal)
    return process.wait(60), said


def test_on_a_terminal_it_asks_twice_and_shows_nothing(desk: Desk) -> None:
    words = harness.command("user", "add", "bob", "--home", desk.root)
    status, said = talk(words, [GOOD.strip(), b"another", GOOD.strip(), GOOD.strip()])
    assert status == 0
    assert GOOD.strip() not in said
    assert said.count(b"Passphrase: ") == 2
    assert said.count(b"The same again: ") == 2
    assert desk.test("bob", GOOD) == 0


def test_no_passphrase_is_taken_from_an_argument(desk: Desk) -> None:
    for verb in ("add", "passwd", "test"):
        words = desk.succeed(verb, "--help")
        options = re.findall(r"--[a-z-]*pass[a-z-]*", words)
        assert set(options) == {"--passphrase-file"}
        assert desk.run(verb, "ann", "tidal basin heron 9")[0] == 2
