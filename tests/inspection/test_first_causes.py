"""Two faults at once: the first cause comes first, and what follows from it is not told."""

from __future__ import annotations

import shutil
import time
from typing import TYPE_CHECKING

import certificate_kit as kit
from inspection_kit import SERVICE, findings, not_fine, only_root, said, unsound

from depotserve.inspection import Grade
from depotserve.inspection.looks import LOOKS

if TYPE_CHECKING:
    from pathlib import Path

APR1 = "old:$apr1$abcdefgh$M2T3erDstkD7SsE2QQnfH0\n"


def _topics(home: Path) -> list[str]:
    return [topic for grade, topic, _ in unsound(home) if grade == "fault"]


def test_settings_that_do_not_read_come_before_all_that_hangs_on_them(home: Path) -> None:
    (home / "depot.yaml").write_text("format: 1\ndrian: 3\n")
    shutil.rmtree(home / "tls")
    (home / "accounts" / "users").unlink()
    assert _topics(home) == ["settings"]
    (found,) = [one for one in findings(home) if one.advice]
    assert found.advice.startswith(f"mend that line of {home}/depot.yaml; whatever hangs on")


def test_a_damaged_users_file_is_told_once_whatever_else_reads_it(home: Path) -> None:
    (home / "accounts" / "users").write_text(f"{APR1}broken\n")
    assert _topics(home) == ["accounts"]


def test_a_missing_certificate_comes_before_an_authority_that_cannot_issue_another(
    home: Path,
) -> None:
    (home / "tls" / "server.pem").unlink()
    (home / "tls" / "authority.key").write_bytes(kit.make("other").key_pem)
    assert _topics(home) == ["certificate", "authority"]


def test_missing_content_and_a_bad_certificate_are_two_things(home: Path, tree: Path) -> None:
    shutil.rmtree(tree)
    (home / "tls" / "server.key").write_bytes(b"")
    assert _topics(home) == ["certificate", "content"]


def test_a_clock_that_is_behind_comes_before_a_prepared_certificate_that_is_too(
    home: Path,
) -> None:
    shutil.copy(home / "tls" / "server.pem", home / "tls" / "server-next.pem")
    shutil.copy(home / "tls" / "server.key", home / "tls" / "server-next.key")
    faults = [one for one in findings(home, now=0.0) if one.grade is not Grade.FINE]
    assert [one.topic for one in faults] == ["certificate"]
    assert faults[0].advice.startswith("set this machine's clock")


@only_root
def test_a_closed_home_comes_before_a_closed_key_and_closed_state_in_it(shared: Path) -> None:
    (shared / "tls" / "server.key").chmod(0o600)
    (shared / "state").chmod(0o500)
    shared.chmod(0o700)
    text = f"{SERVICE} cannot pass through {shared}, so the depot cannot start"
    assert not_fine(said(shared, 1)) == [("fault", "service user", text)]


@only_root
def test_a_closed_key_and_closed_content_are_told_in_the_order_of_a_start(
    shared: Path, place: Path
) -> None:
    (shared / "tls" / "server.key").chmod(0o600)
    (place / "tree" / "x").chmod(0o600)
    faults = [topic for _, topic, _ in not_fine(said(shared, 1))]
    assert faults == ["service user", "content"]


def test_every_look_names_causes_that_are_looked_for_before_it() -> None:
    seen: set[str] = set()
    for look in LOOKS:
        assert set(look.unless) <= seen, look
        seen.add(look.topic)


def test_a_look_over_takes_seconds_and_says_each_thing_once(home: Path) -> None:
    begun = time.monotonic()
    found = findings(home)
    assert time.monotonic() - begun < 30
    assert len({(one.topic, one.text) for one in found}) == len(found)
