from __future__ import annotations

import os
import shutil
from typing import TYPE_CHECKING

import harness
import pytest
from inspection_kit import OTHER, SERVICE, as_user, not_fine, only_root, said

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = only_root


def test_a_home_whose_service_has_its_rights_and_no_more_is_fine(shared: Path) -> None:
    found = said(shared, 0)
    assert not_fine(found) == []
    texts = {row["topic"]: row["text"] for row in found}
    assert texts["service user"] == (
        f"{SERVICE} can read what it needs, and change nothing but state and log"
    )


def test_that_home_serves_as_that_user(shared: Path) -> None:
    depot = harness.start(shared, workers=1, through=as_user(SERVICE))
    try:
        answer = harness.answer(depot.raw(harness.get("/x")))
    finally:
        depot.stop()
    assert (answer.status, answer.body) == (200, b"x")


def test_the_service_itself_finds_its_home_fine(shared: Path) -> None:
    assert not_fine(said(shared, 0, through=as_user(SERVICE))) == []


NEEDED = ["accounts/users", "accounts/terms.yaml", "tls/server.pem", "tls/server.key"]


@pytest.mark.parametrize("through", ["root", "the service"])
@pytest.mark.parametrize("name", NEEDED)
def test_a_file_that_the_service_cannot_read_is_one_fault_whoever_looks(
    shared: Path, name: str, through: str
) -> None:
    (shared / name).chmod(0o600)
    found = said(shared, 1, through=as_user(SERVICE) if through == "the service" else ())
    text = f"{SERVICE} cannot read {shared}/{name}, so the depot cannot start"
    assert not_fine(found) == [("fault", "service user", text)]
    (advice,) = [row["advice"] for row in found if row["advice"]]
    assert advice == f"chgrp {SERVICE} {shared}/{name} && chmod g+r {shared}/{name}"


def test_what_is_advised_mends_it(shared: Path) -> None:
    (shared / "tls" / "server.key").chmod(0o600)
    (advice,) = [row["advice"] for row in said(shared, 1) if row["advice"]]
    assert os.system(advice) == 0  # noqa: S605  # as a person pastes it
    assert not_fine(said(shared, 0)) == []


def test_a_folder_that_is_closed_is_named_instead_of_all_that_lies_in_it(shared: Path) -> None:
    (shared / "tls").chmod(0o700)
    text = f"{SERVICE} cannot pass through {shared}/tls, so the depot cannot start"
    assert not_fine(said(shared, 1)) == [("fault", "service user", text)]


def test_a_home_that_is_closed_is_named_and_nothing_beneath_it(shared: Path) -> None:
    shared.chmod(0o700)
    text = f"{SERVICE} cannot pass through {shared}, so the depot cannot start"
    assert not_fine(said(shared, 1)) == [("fault", "service user", text)]


@pytest.mark.parametrize("name", ["depot.yaml", "accounts", "accounts/users", "tls/server.key"])
def test_what_the_service_could_change_and_should_only_read_is_a_caution(
    shared: Path, name: str
) -> None:
    os.chown(shared / name, SERVICE, -1)
    (shared / name).chmod(0o700 if (shared / name).is_dir() else 0o600)
    text = f"{SERVICE} can change {shared}/{name}, which it should only read"
    found = said(shared, 0)
    assert not_fine(found) == [("caution", "service user", text)]
    (advice,) = [row["advice"] for row in found if row["advice"]]
    assert os.system(advice) == 0  # noqa: S605
    assert not_fine(said(shared, 0)) == []


def test_a_folder_of_the_home_that_its_group_may_write_is_a_fault_of_its_mode(
    shared: Path,
) -> None:
    (shared / "accounts").chmod(0o770)
    assert not_fine(said(shared, 1)) == [
        ("fault", "modes", f"{shared}/accounts has mode 0770, so others can get at it"),
        (
            "caution",
            "service user",
            f"{SERVICE} can change {shared}/accounts, which it should only read",
        ),
    ]


def test_content_that_the_service_could_change_is_a_caution(shared: Path, place: Path) -> None:
    os.chown(place / "tree", SERVICE, SERVICE)
    found = said(shared, 0)
    text = f"{SERVICE} can change {place}/tree, which it serves"
    assert not_fine(found) == [("caution", "service user", text)]
    (advice,) = [row["advice"] for row in found if row["advice"]]
    assert os.system(advice) == 0  # noqa: S605
    assert not_fine(said(shared, 0)) == []


def test_the_authoritys_key_is_nothing_for_the_service(shared: Path) -> None:
    key = shared / "tls" / "authority.key"
    os.chown(key, 0, SERVICE)
    key.chmod(0o640)
    assert not_fine(said(shared, 0)) == [
        ("caution", "modes", f"{key} has mode 0640, so others can get at it"),
        ("caution", "service user", f"{SERVICE} can read {key}, which no depot needs"),
    ]


def test_a_secret_that_another_group_reads_is_no_service_s(shared: Path) -> None:
    key = shared / "tls" / "server.key"
    os.chown(key, SERVICE, OTHER)
    key.chmod(0o640)
    assert ("caution", "modes", f"{key} has mode 0640, so others can get at it") in not_fine(
        said(shared, 0)
    )


def test_a_log_that_the_service_cannot_write_is_a_fault_and_what_is_advised_mends_it(
    shared: Path,
) -> None:
    os.chown(shared / "log", 0, SERVICE)
    found = said(shared, 1)
    text = f"{SERVICE} writes {shared}/log, which cannot be written by it"
    assert not_fine(found) == [("fault", "service user", text)]
    (advice,) = [row["advice"] for row in found if row["advice"]]
    assert os.system(advice) == 0  # noqa: S605
    assert not_fine(said(shared, 0)) == []


def test_a_state_folder_that_the_service_cannot_write_is_one_fault(shared: Path) -> None:
    (shared / "state").chmod(0o500)
    text = f"{SERVICE} writes {shared}/state, which cannot be written by it"
    assert not_fine(said(shared, 1)) == [("fault", "service user", text)]


def test_a_missing_state_folder_is_one_fault(shared: Path) -> None:
    shutil.rmtree(shared / "state")
    text = f"{SERVICE} writes {shared}/state, which is not there"
    assert not_fine(said(shared, 1)) == [("fault", "service user", text)]


def test_a_user_who_is_neither_root_nor_the_service_is_told_what_stays_unknown(
    shared: Path,
) -> None:
    shared.chmod(0o755)
    (shared / "depot.yaml").chmod(0o644)
    found = said(shared, 1, through=as_user(OTHER))
    text = f"{OTHER} cannot read {shared}/accounts, {shared}/tls: not looked at; {SERVICE} serves"
    assert not_fine(found) == [("fault", "service user", f"{text} this home")]
    (advice,) = [row["advice"] for row in found if row["advice"]]
    assert advice == f"run inspect as root, or as {SERVICE}"
    assert "modes" not in {row["topic"] for row in found}


def test_settings_out_of_reach_are_the_one_thing_said(shared: Path) -> None:
    shared.chmod(0o755)
    found = said(shared, 1, through=as_user(OTHER))
    text = f"{shared}/depot.yaml: Permission denied"
    assert not_fine(found) == [("fault", "settings", text)]
    (advice,) = [row["advice"] for row in found if row["advice"]]
    assert advice == f"run inspect as root, or as {SERVICE}, who serves this home"


def test_a_home_out_of_reach_is_status_2_with_the_reason(shared: Path) -> None:
    done = harness.run("inspect", "--home", shared, through=as_user(OTHER))
    assert (done.returncode, done.stdout) == (2, b"")
    assert done.stderr.decode() == f"depotserve: {shared}/depot.yaml: Permission denied\n"
