"""Which passphrases may be set (NIST SP 800-63B-4 section 3.1.1.2), and those that we make."""

from __future__ import annotations

import importlib.resources
import math
import string
from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from depotserve.accounts import passphrase, policy
from depotserve.errors import DepotError


def refusal(text: str, user: str = "ann", minimum: int = 15) -> str:
    with pytest.raises(DepotError) as error:
        policy.check(text, user=user, minimum=minimum)
    assert error.value.exit_status == 2
    return str(error.value)


@pytest.mark.parametrize(
    "text",
    [
        "tidal basin heron 9",
        "tttttidal basin heron",  # no rule about repeated characters
        "lower case letters",  # nor about kinds of characters
        "839201748392551",
        " outer blanks count ",
        "\u00fcn\u00efc\u00f6d\u00e9 \u6c34\u51e6\u7406 salt",
        "sixty-four characters have to be taken, so here they are: 0.5 mg",
        "\u6c34\u51e6\u7406\u65bd\u8a2d\u5236\u5fa1\u7db2\u7ba1\u7406\u8005\u5c02\u7528\u4e8c\u53f7\u6a5f",
    ],
)
def test_long_ones_of_any_characters_are_taken(text: str) -> None:
    assert policy.check(text, user="ann") == text


def test_it_is_put_into_normal_form_c() -> None:
    assert policy.check("pa\u0308sse bei hochwasser", user="ann") == "p\u00e4sse bei hochwasser"


@pytest.mark.parametrize("minimum", [15, 8, 1])
def test_the_minimum_counts_code_points_and_is_never_under_8(minimum: int) -> None:
    least = max(minimum, 8)
    text = "\u6c34r7\u00e4k2-vWp4\u00fct9x"[:least]
    assert policy.check(text, user="ann", minimum=minimum) == text
    assert refusal(text[1:], minimum=minimum) == (
        f"the passphrase has {least - 1} characters; at least {least}, and at most 72 bytes"
    )


def test_72_bytes_are_taken_and_73_refused_in_words() -> None:
    text = "Sluice gate 4 opens at 0615 when the basin reads 2.31 m, else at 0745 !!"
    assert len(text) == 72
    assert policy.check(text, user="ann") == text
    assert "over 72 bytes" in refusal(text + "x")
    assert "is 74 bytes long, over 72 bytes" in refusal("\u00e9" * 37)
    assert "over 72 bytes" in refusal("a" * 100_000)


@pytest.mark.parametrize("char", ["\0", "\n", "\x1b", "\x7f", "\x85"])
def test_control_characters_are_refused(char: str) -> None:
    assert refusal(f"tidal basin{char}heron 9") == (
        "the passphrase holds a control character; take it out"
    )


@pytest.mark.parametrize("user", ["intake.station.four", "Intake.Station.Four"])
def test_the_user_name_is_refused_in_any_case(user: str) -> None:
    assert refusal("INTAKE.station.four", user) == "the passphrase is the user name; take another"


@pytest.mark.parametrize(
    ("text", "minimum"),
    [
        ("passwordpassword", 15),
        ("123456789012345", 15),
        ("aaaaaaaaaaaaaaaa", 15),
        ("\u00e9" * 36, 15),
        ("annannannannann", 15),
        ("qwertyuiopasdfgh", 15),
        ("abcdefghijklmnop", 15),
        ("1qaz2wsx3edc4rfv", 15),
        ("Password2024!!!!", 15),
        ("Passphrase-2025!", 15),
        ("correcthorsebatterystaple", 15),
        ("admin.password.ann", 15),
        ("WelcomeWelcome12", 15),
        ("password", 8),
        ("P@ssw0rd", 8),
        ("12345678", 8),
        ("changeme1", 8),
        ("iloveyou", 8),
    ],
)
def test_what_is_guessed_first_is_refused(text: str, minimum: int) -> None:
    said = refusal(text, minimum=minimum)
    assert said.startswith(
        ("the passphrase repeats a shorter text", "the passphrase is one of those guessed first")
    )
    assert text not in said


def test_the_list_ships_with_the_package_and_holds_hundreds_in_small_letters() -> None:
    files = importlib.resources.files("depotserve.accounts")
    lines = (files / "common.txt").read_text("utf-8").splitlines()
    words = [line for line in lines if not line.startswith("#")]
    assert len(words) > 500
    assert words == sorted(set(words))
    assert all(word == word.casefold().strip() for word in words)
    for word in words:
        if len(word) >= 8:
            assert refusal(word, minimum=8).endswith("; take another")


@given(st.text(max_size=90), st.text(max_size=20), st.integers(0, 80))
def test_no_text_makes_it_raise_anything_else(text: str, user: str, minimum: int) -> None:
    try:
        taken = policy.check(text, user=user, minimum=minimum)
    except DepotError:
        return
    assert len(taken.encode()) <= 72
    assert len(taken) >= 8


def test_a_generated_one_is_25_letters_and_digits_that_do_not_look_alike() -> None:
    made = [passphrase.generate() for _ in range(400)]
    assert len(set(made)) == 400
    counts = Counter("".join(made))
    assert set(counts) == set(passphrase.ALPHABET)
    assert set(counts) <= set(string.ascii_lowercase + string.digits)
    assert not set(counts) & set("0o1li5s6b9gq2zuvjm")
    expected = 400 * 25 / len(passphrase.ALPHABET)
    assert all(0.7 * expected < count < 1.3 * expected for count in counts.values())
    assert all(len(each) == 25 for each in made)
    assert 25 * math.log2(len(passphrase.ALPHABET)) >= 100
    for each in made:
        assert policy.check(each, user="intake") == each


def test_groups_are_the_same_letters_with_blanks_between() -> None:
    assert passphrase.grouped("abcdefghijkl") == "abcde fghij kl"
    made = passphrase.generate()
    assert passphrase.grouped(made).replace(" ", "") == made
