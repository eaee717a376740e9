from __future__ import annotations

import logging
from pathlib import Path

import attrs

from depotserve.config import Listener, Mount, Settings
from depotserve.process import cautions
from depotserve.process.crew import pause_before_next
from depotserve.process.log import _Lines
from depotserve.process.reload import founded_changes

SECURE = Listener("127.0.0.1", 8443)
SETTINGS = Settings(
    home=Path("/srv/depot"),
    content=(Mount("/", Path("/srv/content"), "any"),),
    listeners=(SECURE,),
)


def record(message: str, *args: object, fault: Exception | None = None) -> logging.LogRecord:
    info = (type(fault), fault, None) if fault else None
    return logging.LogRecord("x", logging.WARNING, "x", 1, message, args, info)  # type: ignore[arg-type]


def test_a_line_has_its_level_and_no_control_character() -> None:
    line = _Lines(priorities=False).format(record("user %s", "a\r\nERROR forged\x1b[2J\u2028\x85é"))
    assert line == "WARNING user a\\r\\nERROR forged\\x1b[2J\\u2028\\x85é"


def test_every_line_of_a_traceback_has_the_level() -> None:
    text = _Lines(priorities=True).format(record("failed", fault=ValueError("a\nb")))
    assert text.splitlines() == ["<4>WARNING failed", "<4>WARNING ValueError: a", "<4>WARNING b"]


def test_a_depot_that_protects_has_nothing_to_be_told() -> None:
    assert cautions(SETTINGS, SETTINGS.listeners, ()) == []


def test_each_thing_that_protects_less_is_told_in_a_line() -> None:
    plain = Listener("10.0.0.5", 8080, tls="none", i_accept_cleartext_passwords=True)
    sends_on = Listener("10.0.0.5", 80, tls="redirect")
    less = attrs.evolve(
        SETTINGS,
        content=(*SETTINGS.content, Mount("/open/", Path("/srv/open"), "anonymous")),
        passphrase_minimum=8,
    )
    lines = [one.text for one in cautions(less, (SECURE, plain, sends_on), ["ann"])]
    assert len(lines) == 4
    assert lines[0].startswith("10.0.0.5 port 8080 takes passwords in clear text")
    assert lines[1] == "/open/ (/srv/open) is served to everybody without a password"
    assert lines[2].startswith("user ann has an APR1 hash")
    assert lines[3].startswith("passphrase_minimum is 8; 15 or more")


def test_clear_text_without_passwords_is_told_for_what_it_is() -> None:
    everybody = attrs.evolve(SETTINGS, content=(Mount("/", Path("/srv/content"), "anonymous"),))
    lines = cautions(everybody, (Listener("10.0.0.5", 8080, tls="none"),), ())
    assert "can alter what is fetched" in lines[0].text


def test_the_pause_before_a_replacement_grows_and_has_an_end() -> None:
    pauses = [pause_before_next(deaths) for deaths in range(1, 20)]
    assert pauses[0] == 0.0
    assert pauses == sorted(pauses)
    assert pauses[-1] == 30.0


def test_what_needs_a_restart_is_named_and_nothing_else() -> None:
    assert founded_changes(SETTINGS, attrs.evolve(SETTINGS, realm="another", drain=5.0)) == []
    changed = attrs.evolve(SETTINGS, workers=3, listeners=(*SETTINGS.listeners, Listener("::1", 1)))
    assert founded_changes(SETTINGS, changed) == ["listeners", "the number of workers"]
