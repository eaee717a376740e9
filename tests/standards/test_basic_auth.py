"""Every row of basic_auth.json, RFC 7617, by the function and against live depots."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Any

import bcrypt
import harness
import pytest
import serving
import vector_rows

from depotserve.http.credentials import MALFORMED, Credentials, challenge, parse_basic

if TYPE_CHECKING:
    from pathlib import Path

ROWS = vector_rows.load("basic_auth")
FIELDS = [row for row in ROWS if "header" in row]
# Where a row leaves the choice, this is what we make of it; elsewhere `accept` has one member.
OURS = {
    "a011": ("ok", "RFC 7617 section 2: a user-id may be empty; no account has that name"),
    "a012": ("ok", "RFC 7617 section 2: a user-id may be empty; no account has that name"),
    "a020": ("malformed", 'settled question: UTF-8, as charset="UTF-8" says; nothing is guessed'),
    "a022": ("malformed", 'settled question: UTF-8, as charset="UTF-8" says; nothing is guessed'),
    "a023": ("ok", "settled question: tried as sent, then in NFC"),
    **dict.fromkeys(
        ["a025", "a026", "a027"], ("malformed", "RFC 4648 section 3.2: padding is required")
    ),
    **dict.fromkeys(
        ["a044", "a045", "a046", "a047", "a048", "a049"],
        ("malformed", "RFC 7617 section 2: no control character in a user-id or password"),
    ),
    "a053": ("malformed", "over any passphrase's length, so it is not even decoded"),
    **dict.fromkeys(
        ["a055", "a056", "a057", "a058"], ("other-scheme", "RFC 9110 section 11.1: another scheme")
    ),
}


def expected_of(row: dict[str, Any]) -> str:
    """Give the one member of `accept` that we take."""
    word, _ = OURS.get(row["id"], (row["accept"][0], ""))
    assert word in row["accept"]
    return word


@pytest.mark.parametrize("row", FIELDS, ids=lambda row: row["id"])
def test_a_field_is_parsed_as_the_standard_says(row: dict[str, Any]) -> None:
    got = parse_basic(row["header"])
    word = expected_of(row)
    if word == "ok":
        assert isinstance(got, Credentials)
        assert got.name.encode() == bytes.fromhex(row["user_hex"])
        assert got.passphrase == bytes.fromhex(row["password_hex"])
    else:
        assert got is (MALFORMED if word == "malformed" else None)


# Against live depots. One users file has one passphrase a name, so the rows go in rounds.


def account_of(row: dict[str, Any]) -> tuple[str, bytes] | None:
    """Give name and passphrase of the account that a row should be let in as."""
    if "header" not in row or expected_of(row) != "ok" or not row.get("user"):
        return None
    # The file holds the composed form of a passphrase; a023 sends the other one.
    password = row["password"].replace("e\u0301", "\u00e9").encode()
    return row["user"], password


def rounds() -> list[dict[str, tuple[str, bytes]]]:
    """Part the rows that have accounts so that no round has two passphrases for a name."""
    parted: list[dict[str, tuple[str, bytes]]] = []
    for row in ROWS:
        account = account_of(row)
        if account is None:
            continue
        fitting = (
            one
            for one in parted
            if all(name != account[0] or other == account[1] for name, other in one.values())
        )
        target = next(fitting, None)
        if target is None:
            target = {}
            parted.append(target)
        target[row["id"]] = account
    return parted


def users_file(accounts: dict[str, tuple[str, bytes]]) -> str:
    lines = [
        f"{name}:{bcrypt.hashpw(password, bcrypt.gensalt(4)).decode()}\n"
        for name, password in dict(accounts.values()).items()
    ]
    # Malformed rows that are read leniently would be these two.
    decoys = {"us": b"pass", "Aladdin": b"open sesame", "nkim": "caf\u00e9".encode()}
    known = {name for name, _ in accounts.values()}
    for name, password in decoys.items():
        if name not in known:
            lines.append(f"{name}:{bcrypt.hashpw(password, bcrypt.gensalt(4)).decode()}\n")
    return "".join(lines)


def request_of(row: dict[str, Any]) -> bytes:
    values = [row["header"]] if "header" in row else [value for _, value in row["headers"]]
    lines = [f"Authorization: {value}" for value in values]
    return harness.get("/f26.bin", *lines, signed_in=False)


@pytest.fixture(scope="module")
def live(tmp_path_factory: pytest.TempPathFactory) -> dict[str, serving.Received]:
    folder = tmp_path_factory.mktemp("basic_auth")
    (folder / "tree").mkdir()
    (folder / "tree" / "f26.bin").write_bytes(b"abcdefghijklmnopqrstuvwxyz")
    came: dict[str, serving.Received] = {}
    with_account = rounds()
    assert len(with_account) > 1
    others = [row["id"] for row in ROWS if account_of(row) is None]
    # The rows without an account go to each depot, whose accounts they must not open.
    for number, accounts in enumerate(with_account):
        for name, received in ask_round(folder / str(number), accounts, others).items():
            came[name if name not in came else f"{name}-{number}"] = received
    return came


def ask_round(
    folder: Path, accounts: dict[str, tuple[str, bytes]], others: list[str]
) -> dict[str, serving.Received]:
    folder.mkdir()
    tree = serving.mount("/", folder.parent / "tree")
    by_name = {row["id"]: row for row in ROWS}
    requests = {name: request_of(by_name[name]) for name in itertools.chain(accounts, others)}
    throttle = {"failures": 100, "seconds": 1}
    with serving.serving(folder, tree, users=users_file(accounts), throttle=throttle) as depot:
        came = serving.ask_all(depot.port, requests)
        log = depot.log() + depot.access_log()
    assert "Traceback" not in log
    assert not any(control in log.replace("\n", "") for control in map(chr, range(32)))
    return came


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["id"])
def test_credentials_open_the_depot_or_get_a_challenge(
    row: dict[str, Any], live: dict[str, serving.Received]
) -> None:
    answers = [live[name] for name in live if name.partition("-")[0] == row["id"]]
    assert answers
    for received in answers:
        got = harness.answer(received.data)
        if account_of(row) is not None:
            assert (got.status, got.body) == (200, b"abcdefghijklmnopqrstuvwxyz")
        else:
            assert got.status == 400 if row["id"] == "a063" else 401
            assert b"abcdef" not in received.data
        if got.status == 401:
            expected = 'Basic realm="depot", charset="UTF-8"'  # RFC 7617 section 2.1
            assert got.get("www-authenticate") == expected


def test_unknown_user_and_wrong_password_get_the_same_answer(tmp_path: Path) -> None:
    (tmp_path / "tree").mkdir()
    with serving.serving(tmp_path, serving.mount("/", tmp_path / "tree")) as depot:
        offered = ["YW5uOng=", "bm9ib2R5Ong="]  # ann:x, nobody:x
        fields = [f"Authorization: Basic {value}" for value in offered]
        requests = {field: harness.get("/", field, signed_in=False) for field in fields}
        came = serving.ask_all(depot.port, requests).values()
    wrong, unknown = (harness.answer(each.data) for each in came)
    assert wrong.status == 401
    assert undated(wrong) == undated(unknown)
    assert wrong.body == unknown.body


def undated(answer: harness.Answer) -> list[tuple[str, str]]:
    return [field for field in answer.headers if field[0] != "date"]


def test_a_challenge_quotes_its_realm() -> None:
    # RFC 9110 section 5.6.4; the published challenges are in basic_auth.json.
    assert challenge("foo") == ("WWW-Authenticate", 'Basic realm="foo", charset="UTF-8"')
    assert challenge('a"b\\c')[1].startswith('Basic realm="a\\"b\\\\c",')


def test_our_choices_are_among_those_that_the_standard_allows() -> None:
    rows = {row["id"]: row for row in ROWS}
    for name, (word, reason) in OURS.items():
        assert word in rows[name]["accept"], name
        assert reason
    open_rows = {row["id"] for row in ROWS if len(row["accept"]) > 1}
    assert open_rows <= set(OURS)


def test_no_row_was_dropped() -> None:
    assert len(ROWS) == 47
