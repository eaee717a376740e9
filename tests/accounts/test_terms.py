from __future__ import annotations

import contextlib
from datetime import datetime, timedelta, timezone

import pytest
from account_kit import APR1, OTHER, S3CRET
from hypothesis import given
from hypothesis import strategies as st

from depotserve.accounts import moments, names, terms, terms_edit
from depotserve.accounts.hashes import recognise
from depotserve.accounts.terms import Previous, Terms
from depotserve.errors import DepotError

DAY = datetime(2027, 4, 1, tzinfo=timezone.utc)
BY_HAND = b"""\
# the crew\r
format: 1\r
users:   # sorted by shift\r
    bob:  # on leave\r
        disabled: true   # until spring\r
    # the night shift\r
    ann: {expires: 2027-03-31}\r
    "007":\r
        previous:\r
            hash: '%s'\r
            until: 2027-04-01T02:00:00+02:00\r
# the end\r
...\r
"""
HAND = BY_HAND % S3CRET.encode()


def known(text: str) -> terms.Hash:
    found = recognise(text)
    assert found is not None
    return found


def read(content: bytes) -> dict[str, Terms]:
    return terms.parse(content, name="terms.yaml")


def fault(content: bytes) -> str:
    with pytest.raises(DepotError) as error:
        read(content)
    return str(error.value)


def test_a_file_written_by_hand_is_read() -> None:
    assert read(HAND) == {
        "bob": Terms(disabled=True),
        "ann": Terms(expires=DAY),
        "007": Terms(previous=Previous(known(S3CRET), DAY)),
    }


def test_an_edit_keeps_order_comments_and_line_ends() -> None:
    changes = {"ann": terms.NONE, "bob": Terms(expires=DAY), "cy": Terms(disabled=True)}
    after = terms_edit.amend(HAND, changes)
    assert after.decode() == HAND.decode().replace(
        "    bob:  # on leave\r\n        disabled: true   # until spring\r\n",
        '    "bob":\r\n        expires: 2027-04-01T00:00:00Z\r\n',
    ).replace("    ann: {expires: 2027-03-31}\r\n", "").replace(
        "# the end", '    "cy":\r\n        disabled: true\r\n# the end'
    )


@pytest.mark.parametrize(
    "content",
    [
        None,
        b"format: 1\n...",
        b"format: 1\nusers:\n...\n",
        b"format: 1\nusers: {}\n...\n",
        b"---\nformat: 1\nusers: {old: {disabled: true},\n  x: {}}\n# kept\n...\n",
        b"users:\n\n  old:\n    disabled: true\n\nformat: 1\n...\n",
        b"\xef\xbb\xbfformat: 1\nusers:\n  old:\n    disabled: true\n...\n",
    ],
)
def test_every_shape_of_the_file_can_be_added_to(content: bytes | None) -> None:
    before = {} if content is None else read(content)
    after = terms_edit.amend(content, {"ann": Terms(expires=DAY)})
    kept = {name: each for name, each in read(after).items() if each != terms.NONE}
    assert kept == {
        **{n: e for n, e in before.items() if e != terms.NONE},
        "ann": Terms(expires=DAY),
    }
    comments = [line for line in (content or b"").splitlines() if line.startswith(b"#")]
    assert all(comment in after for comment in comments)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "terms.yaml:1: the end marker is missing, so the file may have been cut"),
        (b"format: 1\n", "terms.yaml:1: the end marker is missing"),
        (b"format: 1\nusers:\n...x\n", "terms.yaml:3: the end marker is missing"),
        (b"...\n", "terms.yaml:1: "),
        (b"users:\n...\n", "terms.yaml:1: format is missing; format: 1"),
        (b"format: 2\n...\n", "terms.yaml:1: format: an unknown format; format: 1"),
        (b"format: 1\nusers: [a]\n...\n", "terms.yaml:2: users: no mapping"),
        (b"format: 1\nuser:\n...\n", "terms.yaml:2: user: unknown key; allowed: format, users"),
        (b"format: 1\nusers:\n  007:\n...\n", "terms.yaml:3: users: a key that is no text"),
        (b"format: 1\nusers:\n  no:\n...\n", "terms.yaml:3: users: a key that is no text"),
        (b"format: 1\nusers:\n  any:\n...\n", "terms.yaml:3: users: the name any means"),
        (b"format: 1\nusers:\n  a:\n  a:\n...\n", "terms.yaml:4: users: a: stands twice"),
        (
            b"format: 1\nusers:\n  a:\n    disabeld: true\n...\n",
            "terms.yaml:4: users: a: disabeld: unknown key; allowed: disabled, expires, previous",
        ),
        (
            b"format: 1\nusers:\n  a:\n    disabled: yes\n...\n",
            "terms.yaml:4: users: a: disabled: no truth value; true or false",
        ),
        (
            b"format: 1\nusers:\n  a:\n    expires: 2027-02-30\n...\n",
            "terms.yaml:4: users: a: expires: no date that RFC 3339 knows",
        ),
        (
            b"format: 1\nusers:\n  a:\n    previous:\n      until: 2027-02-20\n...\n",
            "terms.yaml:5: users: a: previous: hash or until is missing; both are needed",
        ),
        (
            b"format: 1\nusers:\n  a:\n    previous: {hash: s3cret, until: 2027-02-20}\n...\n",
            "terms.yaml:4: users: a: previous: hash: no hash of a kind that is taken",
        ),
        (
            b"format: 1\nusers:\n  a: &x {disabled: true}\n  b: *x\n...\n",
            "terms.yaml:3: an anchor, an alias or nesting too deep",
        ),
        (b"format: 1\nx: " + b"[" * 9 + b"\n...\n", "terms.yaml:2: an anchor"),
        (b"format: 1\nx: " + b"[" * 100_000 + b"\n...\n", "terms.yaml:2: "),
        (b"format: 1\nusers:\n\ta:\n...\n", "terms.yaml:3: "),
        (b"format: 1\n\0\0\0\n...\n", "terms.yaml"),
        (b"format: 1\n\xff\n...\n", "terms.yaml:2: the line is not UTF-8"),
        (b"format: 1\n...\n# a comment\n", "terms.yaml:3: the end marker is missing"),
        (b"format: 1\n...\nformat: 1\n...\n", "terms.yaml:"),
        (b"#" * terms.LIMIT + b"\n...\n", "terms.yaml: the file is over 1048576 bytes"),
    ],
)
def test_a_fault_is_named_by_line_and_key_and_refuses_the_file(
    content: bytes, message: str
) -> None:
    text = fault(content)
    assert text.startswith(message)
    assert "s3cret" not in text


@pytest.mark.parametrize("cut", range(len(HAND)))
def test_a_file_of_terms_cut_at_any_byte_is_refused_or_says_the_same(cut: int) -> None:
    try:
        found = read(HAND[:cut])
    except DepotError:
        return
    assert found == read(HAND)
    assert cut >= HAND.index(b"...") + len("...")


MOMENTS = st.integers(946_684_800, 4_102_444_800).map(
    lambda seconds: datetime.fromtimestamp(seconds, timezone.utc)
)
TERMS = st.builds(
    Terms,
    st.booleans(),
    st.none() | MOMENTS,
    st.none() | st.builds(Previous, st.sampled_from([known(OTHER), known(APR1)]), MOMENTS),
)
NAMES = st.text(min_size=1, max_size=12).filter(lambda name: not names.fault_of(name))
AWKWARD = st.sampled_from(
    ["no", "007", "null", "~", "...", "---", "- a", '"', "a # b", "\U0001f600"]
)


@given(st.lists(st.dictionaries(NAMES | AWKWARD, TERMS, max_size=3), max_size=4))
def test_whatever_is_set_reads_back(edits: list[dict[str, Terms]]) -> None:
    content, meant = HAND, read(HAND)
    for changes in edits:
        content = terms_edit.amend(content, changes)
        meant.update(changes)
    kept = {name: each for name, each in meant.items() if each != terms.NONE}
    assert read(content) == kept
    assert content.count(b"# the end") == 1


@given(st.text(alphabet="abu:{}[]&*|>-'\"#\n .\t%@!", max_size=60))
def test_no_text_makes_reading_raise_anything_but_a_fault(text: str) -> None:
    with contextlib.suppress(DepotError):
        assert read(f"format: 1\n{text}\n...\n".encode()) is not None


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        # RFC 3339 section 5.8, examples; section 5.7 for the leap second
        ("1985-04-12T23:20:50.52Z", datetime(1985, 4, 12, 23, 20, 50, tzinfo=timezone.utc)),
        ("1996-12-19T16:39:57-08:00", datetime(1996, 12, 20, 0, 39, 57, tzinfo=timezone.utc)),
        ("1990-12-31T23:59:60Z", datetime(1991, 1, 1, tzinfo=timezone.utc)),
        ("1990-12-31T15:59:60-08:00", datetime(1991, 1, 1, tzinfo=timezone.utc)),
        ("2027-03-31t12:00:00z", datetime(2027, 3, 31, 12, tzinfo=timezone.utc)),
        ("2027-03-31", DAY),
        ("2027-3-31", None),
        ("2027-02-29", None),
        ("2027-03-31T12:00:00", None),
        ("2027-03-31T24:00:00Z", None),
        ("2027-03-31T12:60:00Z", None),
        ("2027-03-31T12:00:61Z", None),
        ("2027-03-31T12:00:00+24:00", None),
        ("0001-01-01T00:00:00+01:00", None),
        ("9999-12-31", None),
        ("\u0662027-03-31", None),
        ("2027-03-31\n", None),
        ("", None),
    ],
)
def test_a_moment_is_what_rfc_3339_says(text: str, moment: datetime | None) -> None:
    assert moments.read_moment(text) == moment


@pytest.mark.parametrize(
    ("text", "span"),
    [
        ("14d", timedelta(days=14)),
        ("2w", timedelta(days=14)),
        ("36h", timedelta(hours=36)),
        ("0d", None),
        ("-1d", None),
        ("14", None),
        ("d", None),
        ("99999d", None),
        ("\u0661d", None),
    ],
)
def test_a_span_is_a_number_and_a_unit(text: str, span: timedelta | None) -> None:
    assert moments.read_span(text) == span
