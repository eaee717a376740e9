from __future__ import annotations

import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from depotserve.http.negotiate import prefers

HTML, JSON, TEXT = "text/html", "application/json", "text/plain"
OFFERS = [HTML, JSON, TEXT]


@pytest.mark.parametrize(
    ("accept", "best"),
    [
        (None, HTML),
        ("", HTML),
        ("*/*", HTML),
        ("application/json", JSON),
        ("APPLICATION/JSON", JSON),
        ("text/*", HTML),
        ("application/*", JSON),
        ("text/html;q=0.5, application/json", JSON),
        ("application/json;q=0.4,text/plain;q=0.8", TEXT),
        ("application/json ; q=0.4 , text/plain ; Q=0.8", TEXT),
        ("text/html;q=0.999, application/json;q=1.000", JSON),
        # Quality 0 means not acceptable (RFC 9110 §12.4.2).
        ("text/html;q=0, */*", JSON),
        ("text/html;q=0, */*;q=0.1, application/json;q=0.0", TEXT),
        # The most precise range decides, whatever its place and weight (RFC 9110 §12.5.1).
        ("text/*;q=0.9, text/html;q=0.1, application/json;q=0.5, text/plain;q=0", JSON),
        ("*/*;q=0.9, text/*;q=0.2", JSON),
        # Equal weights: what was named wins over what a wildcard let in.
        ("application/json, text/javascript, */*", JSON),
        ("application/json, text/plain, */*", JSON),
        # A browser.
        ("text/html,application/xhtml+xml,application/xml;q=0.9,image/avif,*/*;q=0.8", HTML),
        # Nothing that is offered, or nothing at all.
        ("image/png", HTML),
        ("text/html;q=0, application/json;q=0, text/plain;q=0", HTML),
        ("*/*;q=0", HTML),
    ],
)
def test_the_best_offer_wins(accept: str | None, best: str) -> None:
    assert prefers(accept, OFFERS) == best


@pytest.mark.parametrize("java", ["text/html, image/gif, image/jpeg, *; q=.2, */*; q=.2"])
def test_java_s_malformed_default_is_understood(java: str) -> None:
    # The default of java.net.HttpURLConnection; case X01.
    assert prefers(java, OFFERS) == HTML
    assert prefers(java, [JSON, HTML]) == HTML
    assert prefers(java, [JSON, TEXT]) == JSON


@pytest.mark.parametrize(
    "malformed",
    [
        *("*", "text", "/", "text/", "/html", "*/html", "text/html/x", "text html", "text/ht ml"),
        *("text/html;q=", "text/html;q=-1", "text/html;q=2", "text/html;q=0.1234", "text/html;q=x"),
        *("text/html;level", "text/html;=1", 'text/html;a="', "text/html;q=1e0", '"text/html"'),
        *("text/html;q=1_0", "text/html;q=\u0661", "t\u00e9xt/html", "text/html\x00", ";q=1", ";"),
    ],
)
def test_a_malformed_range_is_passed_over(malformed: str) -> None:
    assert prefers(malformed, OFFERS) == HTML
    assert prefers(f"{malformed}, application/json;q=0.1", [TEXT, JSON, HTML]) == (
        # A quoted-string that never ends takes the rest of the header with it.
        TEXT if malformed.count('"') % 2 else JSON
    )


def test_parameters_narrow_a_range() -> None:
    # The example of RFC 9110 §12.5.1, table 5.
    accept = (
        "text/*;q=0.3, text/plain;q=0.7, text/plain;format=flowed, "
        "text/plain;format=fixed;q=0.4, */*;q=0.5"
    )
    falling = [
        *("text/plain;format=flowed", "text/plain", "image/jpeg"),
        *("text/plain;format=fixed", "text/html;level=3"),
    ]
    for better, worse in zip(falling, falling[1:]):
        assert prefers(accept, [worse, better]) == better
        assert prefers(accept, [better, worse]) == better


def test_a_range_with_other_parameters_covers_no_bare_type_except_for_its_encoding() -> None:
    assert prefers("application/json;version=2, text/plain;q=0.1", OFFERS) == TEXT
    assert prefers("application/json; charset=utf-8", OFFERS) == JSON


def test_commas_and_semicolons_in_quotes_part_nothing() -> None:
    assert prefers('text/plain;a=",application/json;q=1,", text/html;q=0.1', OFFERS) == HTML
    assert prefers('text/x;a="\\",application/json;\\"", text/plain;q=0.1', OFFERS) == TEXT
    assert prefers('text/x;a="b\\,c;d"', [TEXT, 'text/x;a="b,c;d"']) == 'text/x;a="b,c;d"'


@given(st.text() | st.text(alphabet='*/;,q=.01"\\ texhml'))
def test_any_header_gets_one_of_the_offers(accept: str) -> None:
    assert prefers(accept, OFFERS) in OFFERS


@pytest.mark.parametrize(
    "part", ['"', '"\\', "\\", ",", ";", "a/b;", "a/b,", ";q=", " ", 'a/b;c="']
)
def test_a_long_header_costs_little(part: str) -> None:
    start = time.monotonic()
    assert prefers(part * (1_000_000 // len(part)), OFFERS) == HTML
    assert time.monotonic() - start < 2  # measured: 0.01 s at most


def test_what_stands_far_behind_is_not_looked_at() -> None:
    near, far = "image/png," * 100, "image/png," * 1000
    assert prefers(near + JSON, OFFERS) == JSON
    assert prefers(far + JSON, OFFERS) == HTML
