from __future__ import annotations

import pytest
from account_kit import APR1, OTHER, S3CRET
from hypothesis import given
from hypothesis import strategies as st

from depotserve.accounts import names, users_file
from depotserve.accounts.hashes import Hash, recognise, verify
from depotserve.errors import DepotError

ANN, BOB = f"ann:{S3CRET}", f"bob:{APR1}"


def known(text: str) -> Hash:
    found = recognise(text)
    assert found is not None
    return found


def fault(content: bytes) -> str:
    with pytest.raises(DepotError) as error:
        users_file.parse(content, name="users")
    return str(error.value)


@pytest.mark.parametrize("end", [b"", b"\r\n", b"\n\n\n"])
def test_bom_crlf_trailing_blanks_blank_lines_and_comments_are_taken(end: bytes) -> None:
    content = (
        b"\xef\xbb\xbf"
        + f"{ANN}\r\n\r\n  \t\n# a comment\r\n {''}# one more\n{BOB} \t".encode()
        + end
    )
    read = users_file.parse(content, name="users")
    assert list(read) == ["ann", "bob"]
    for each in read.values():
        assert verify(b"s3cret", each)
        assert not verify(b"wrong", each)


@pytest.mark.parametrize(
    ("line", "message"),
    [
        (b"nocolon", "the line has no colon"),
        (b":" + S3CRET.encode(), "the name is empty"),
        (b" dave:" + S3CRET.encode(), "the name begins or ends with a blank"),
        (b"dave :" + S3CRET.encode(), "the name begins or ends with a blank"),
        (b"da\tve:" + S3CRET.encode(), "the name holds a control character"),
        (b"da\0ve:" + S3CRET.encode(), "the name holds a control character"),
        (b"da\rve:" + S3CRET.encode(), "the name holds a control character"),
        ("da\u2028ve:".encode() + S3CRET.encode(), "the name holds a line separator"),
        (b"any:" + S3CRET.encode(), "the name any means every signed-in user in depot.yaml"),
        (b"anonymous:" + S3CRET.encode(), "the name anonymous means everybody in depot.yaml"),
        (b"n" * 256 + b":" + S3CRET.encode(), "the name is over 255 bytes"),
        ("a\u0308:".encode() + S3CRET.encode(), "the name is not in Unicode normal form C"),
        (b"d\xff:" + S3CRET.encode(), "the line is not UTF-8"),
        (b"dave:" + S3CRET.encode() + b":more", "there is more after the hash"),
        (b"dave: " + S3CRET.encode(), "no hash of a kind that is taken"),
        (b"dave:" + S3CRET[:-1].encode(), "no hash of a kind that is taken"),
        (b"dave:s3cret", "no hash of a kind that is taken"),
        (b"dave:" + S3CRET.replace("$2y$", "$2x$").encode(), "no hash of a kind that is taken"),
        (b"dave:" + S3CRET.replace("$04$", "$31$").encode(), "bcrypt cost 31 takes"),
        (b"\0\0\0\0", "the line has no colon"),
    ],
)
def test_a_malformed_line_is_named_by_number_and_refuses_the_file(
    line: bytes, message: str
) -> None:
    text = fault(b"# head\n" + ANN.encode() + b"\r\n" + line + b"\n" + BOB.encode())
    assert text.startswith(f"users:3: {message}")
    assert "; " in text
    assert "s3cret" not in text


def test_a_second_line_for_a_user_refuses_the_file_and_names_both() -> None:
    assert fault(f"{ANN}\n\nann:{OTHER}\n".encode()) == (
        "users:3: ann stands on line 1 already; one line a user"
    )


@pytest.mark.parametrize("content", [b"", b"\n \r\n", b"\xef\xbb\xbf", b"\xef\xbb\xbf\r\n"])
def test_an_empty_file_is_refused(content: bytes) -> None:
    assert fault(content) == "users: the file is empty; at least a comment is expected"


def test_a_file_over_4_mib_is_refused_and_one_just_under_it_is_read() -> None:
    line = ANN.encode() + b"\n"
    room = users_file.LIMIT - len(line)
    assert list(users_file.parse(line + b"#" * room, name="users")) == ["ann"]
    assert fault(line + b"#" * (room + 1)) == "users: the file is over 4194304 bytes"


def test_an_edit_keeps_order_comments_line_ends_and_the_byte_order_mark() -> None:
    before = (
        b"\xef\xbb\xbf# the crew\r\n" + ANN.encode() + b" \t\r\n\r\n# bob left\r\n" + BOB.encode()
    )
    after = users_file.amend(before, {"ann": known(OTHER), "cy": known(APR1)})
    assert after == (
        b"\xef\xbb\xbf# the crew\r\nann:"
        + OTHER.encode()
        + b" \t\r\n\r\n# bob left\r\n"
        + BOB.encode()
        + b"\r\ncy:"
        + APR1.encode()
        + b"\r\n"
    )
    assert users_file.amend(after, {"bob": None}) == after.replace(BOB.encode() + b"\r\n", b"")


def test_removing_the_last_user_leaves_a_file_that_is_not_empty() -> None:
    after = users_file.amend(ANN.encode() + b"\n", {"ann": None})
    assert users_file.parse(after, name="users") == {}
    assert after == users_file.HEADER


def test_a_file_with_a_fault_is_not_edited() -> None:
    with pytest.raises(DepotError, match="users:1: the line has no colon"):
        users_file.amend(b"nocolon\n", {"ann": known(OTHER)})


NAMES = st.text(min_size=1, max_size=20).filter(lambda name: not names.fault_of(name))
LINES = st.lists(
    st.sampled_from(["", "# note", "   ", "# ann:" + OTHER]) | NAMES.map(lambda n: f"{n}:{S3CRET}"),
    max_size=8,
)


@given(LINES, st.sampled_from(["\n", "\r\n"]), NAMES, st.booleans())
def test_whatever_is_set_reads_back_and_removing_it_again_changes_nothing(
    lines: list[str], end: str, name: str, closed: bool
) -> None:
    unique = list(dict.fromkeys(lines))
    content = (end.join(unique) + (end if closed else "")).encode()
    old = {entry.name: entry.hash for entry in users_file.read(content)[0]}
    after = users_file.amend(content, {name: known(OTHER)})
    assert users_file.parse(after, name="users") == {**old, name: known(OTHER)}
    if name not in old and content.strip():
        back = users_file.amend(after, {name: None})
        assert back.rstrip(b"\r\n") == content.rstrip(b"\r\n")


@given(st.binary(max_size=300))
def test_no_bytes_make_reading_raise(content: bytes) -> None:
    entries, faults = users_file.read(content)
    assert all(recognise(entry.hash.text) for entry in entries)
    assert all(fault.line >= 1 for fault in faults)
