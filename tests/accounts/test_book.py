"""Whatever was written, cut or read at an odd moment: nobody gets in who should not."""

from __future__ import annotations

from datetime import datetime, timezone
from itertools import product
from typing import Callable

import pytest
from account_kit import APR1, NOW, OTHER, S3CRET, UMLAUTS

from depotserve.accounts import changes, terms_edit
from depotserve.accounts.book import TERMS, USERS, Book, steps
from depotserve.accounts.hashes import Hash, recognise, verify
from depotserve.accounts.model import Accounts
from depotserve.accounts.terms import Previous, Terms
from depotserve.accounts.users_file import read
from depotserve.errors import DepotError

LATER = datetime(2028, 1, 1, tzinfo=timezone.utc)
PAST = datetime(2026, 1, 1, tzinfo=timezone.utc)
Edit = Callable[[Accounts], changes.Changes]


def known(text: str) -> Hash:
    found = recognise(text)
    assert found is not None
    return found


BOOK = Book(
    b"\xef\xbb\xbf# crew\r\n"
    + f"ann:{S3CRET}\r\nout:{S3CRET}\n# gone:{OTHER}\nold:{APR1} \nbob:{APR1}".encode(),
    terms_edit.amend(
        None,
        {
            "out": Terms(disabled=True),
            "old": Terms(expires=PAST),
            "bob": Terms(previous=Previous(known(OTHER), LATER)),
            "ann": Terms(previous=Previous(known(OTHER), PAST)),
            "left": Terms(disabled=True),
        },
    ),
)
EDITS: dict[str, Edit] = {
    "add": lambda them: changes.add(them, "new", known(UMLAUTS)),
    "add one whose terms were left over": lambda them: changes.add(them, "left", known(UMLAUTS)),
    "add with an expiry that is past": lambda them: changes.add(them, "n", known(UMLAUTS), PAST),
    "renew": lambda them: changes.renew(them, "ann", known(UMLAUTS)),
    "renew and keep": lambda them: changes.renew(them, "ann", known(UMLAUTS), LATER),
    "renew with a previous": lambda them: changes.renew(them, "bob", known(UMLAUTS)),
    "renew the disabled": lambda them: changes.renew(them, "out", known(UMLAUTS)),
    "renew the expired until later": lambda them: changes.renew(
        them, "old", known(UMLAUTS), None, LATER
    ),
    "renew the expired for good, keeping": lambda them: changes.renew(
        them, "old", known(UMLAUTS), LATER, None
    ),
    "disable": lambda them: changes.switch(them, "bob", disabled=True),
    "enable": lambda them: changes.switch(them, "out", disabled=False),
    "enable until past": lambda them: changes.switch(them, "out", disabled=False, expires=PAST),
    "remove": lambda them: changes.remove(them, "bob"),
    "remove the disabled": lambda them: changes.remove(them, "out"),
    "take in": lambda them: changes.take_in(
        them, read(f"out:{UMLAUTS}\nbob:{UMLAUTS}\nnew:{APR1}\n".encode())[0], replace=True
    ),
}


def let_in(book: Book) -> set[tuple[str, str]]:
    """Give the users and hashes that count; a passphrase is right by a hash and by nothing else."""
    return {
        (account.name, each.text)
        for account in book.accounts().users.values()
        if account.is_open(NOW)
        for each in account.in_force(NOW)
    }


def let_in_or_refused(book: Book) -> set[tuple[str, str]]:
    try:
        return let_in(book)
    except DepotError:
        return set()


def test_the_book_lets_in_those_it_should() -> None:
    assert let_in(BOOK) == {("ann", S3CRET), ("bob", APR1), ("bob", OTHER)}
    assert verify(b"s3cret", known(S3CRET))
    assert verify(b"dragon", known(OTHER))


@pytest.mark.parametrize("tail", [b"", b"\0" * 16, b"\n", b"\r\n", b":", b"#"])
def test_a_users_file_cut_at_any_byte_lets_nobody_in_who_should_not(tail: bytes) -> None:
    refused = 0
    for cut in range(len(BOOK.users)):
        found = let_in_or_refused(Book(BOOK.users[:cut] + tail, BOOK.terms))
        assert found <= let_in(BOOK), cut
        refused += not found
    assert 200 < refused < len(BOOK.users)


@pytest.mark.parametrize("tail", [b"", b"\0" * 16, b"\n", b"..", b"#"])
def test_terms_cut_at_any_byte_let_nobody_in_who_should_not(tail: bytes) -> None:
    assert BOOK.terms is not None
    for cut in range(len(BOOK.terms)):
        found = let_in_or_refused(Book(BOOK.users, BOOK.terms[:cut] + tail))
        assert found in (set(), let_in(BOOK)), cut


@pytest.mark.parametrize("name", EDITS)
def test_no_step_of_a_change_lets_anybody_in_who_should_not(name: str) -> None:
    edit = EDITS[name](BOOK.accounts())
    after = BOOK.amended(edit)
    allowed = let_in(BOOK) | let_in(after)
    versions: dict[str, list[bytes]] = {USERS: [BOOK.users], TERMS: [BOOK.terms or b""]}
    current = BOOK
    for which, content in steps(BOOK, edit):
        versions[which].append(content)
        current = Book(*(versions[each][-1] for each in (USERS, TERMS)))
        # Never more than before and after together, and never one whom both keep out.
        assert let_in(current) <= allowed
        lost = (let_in(BOOK) & let_in(after)) - let_in(current)
        assert not lost
    assert current == after


@pytest.mark.parametrize("name", EDITS)
def test_each_step_changes_something_and_is_in_the_safe_order(name: str) -> None:
    edit = EDITS[name](BOOK.accounts())
    plan = steps(BOOK, edit)
    assert plan
    assert len(plan) <= 3
    wrong_way_round = Book(BOOK.users, BOOK.amended(edit).terms)
    if name == "renew the expired until later":
        # The final terms before the users would have let the old passphrase of an expired user in.
        assert ("old", APR1) in let_in(wrong_way_round) - let_in(BOOK.amended(edit))
        assert [which for which, _ in plan] == [USERS, TERMS]


@pytest.mark.parametrize(
    ("first", "second"), list(product(list(EDITS)[3:8], ["disable", "remove"]))
)
def test_changes_one_after_the_other_keep_each_other(first: str, second: str) -> None:
    once = BOOK.amended(EDITS[first](BOOK.accounts()))
    twice = once.amended(EDITS[second](once.accounts()))
    assert not any(user == "bob" for user, _ in let_in(twice))
    rest = {pair for pair in let_in(once) if pair[0] != "bob"}
    assert let_in(twice) == rest


def test_an_unknown_user_is_refused_with_those_who_resemble_it() -> None:
    with pytest.raises(DepotError, match=r"no user 'amn'; did you mean ann\?"):
        changes.remove(BOOK.accounts(), "amn")
    with pytest.raises(DepotError, match="no user 'zzzzzz'; depotserve user list shows all"):
        changes.remove(BOOK.accounts(), "zzzzzz")


def test_terms_of_somebody_who_is_no_user_and_apr1_hashes_are_warned_about() -> None:
    warnings = BOOK.accounts().warnings
    assert [line.split(":")[0] for line in warnings if "APR1" in line] == [
        "user old has an APR1 hash, which is guessed quickly from a copy of the file",
        "user bob has an APR1 hash, which is guessed quickly from a copy of the file",
    ]
    assert "terms.yaml names left, who is not in the users file" in warnings
    assert BOOK.accounts().apr1_users == ("old", "bob")
