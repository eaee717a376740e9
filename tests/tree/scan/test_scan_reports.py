"""What a scan names, whatever it could not scan, and what rules accept of it."""

from __future__ import annotations

import datetime as dt
import json
import os
import socket
from typing import TYPE_CHECKING, Any

import attrs
import harness
import pytest
import yaml

if TYPE_CHECKING:
    from pathlib import Path

SCANNER = """#!/bin/sh
case $(cat -- "$1") in
    *infected*) echo "$1: Plant.Drill FOUND"; exit 1 ;;
esac
"""
SOON = (dt.datetime.now(tz=dt.timezone.utc).date() + dt.timedelta(days=30)).isoformat()
ENDS = {"reason": "looked into by hand", "by": "ann", "until": SOON}


@attrs.frozen
class Scanned:
    """One run's status and its JSON document."""

    status: int
    document: dict[str, Any]

    @property
    def findings(self) -> dict[str, str]:
        """Give the kind of each finding, by its path."""
        return {one["path"]: one["kind"] for one in self.document["findings"]}


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    folder = tmp_path / "tree"
    (folder / "fw").mkdir(parents=True)
    (folder / "fw" / "pump.img").write_bytes(b"firmware")
    return folder


def command(tree: Path, *options: str | Path) -> list[str | Path]:
    scanner = tree.parent / "scanner"
    scanner.write_text(SCANNER)
    scanner.chmod(0o755)
    state = tree.parent / "state"
    return ["tree", "scan", tree, "--command", f"{scanner} {{file}}", "--state", state, *options]


def scan(tree: Path, *options: str | Path, through: list[str] | None = None) -> Scanned:
    done = harness.run(*command(tree, "--json", *options), through=through or [])
    assert done.returncode in (0, 1), done.stderr.decode()
    document = json.loads(done.stdout)
    assert document["status"] == done.returncode
    return Scanned(done.returncode, document)


def text(tree: Path, *options: str | Path) -> str:
    return harness.run(*command(tree, *options)).stdout.decode()


def rules(folder: Path, *some: dict[str, Any]) -> Path:
    file = folder / "accept.yaml"
    whole = [{**one, **ENDS} for one in some]
    file.write_text(yaml.safe_dump({"format": 1, "accept": whole}))
    return file


# What was not scanned is named.


def test_links_within_the_tree_are_counted_and_nothing_is_wrong_with_them(tree: Path) -> None:
    (tree / "latest").symlink_to("fw")
    (tree / "fw" / "current.img").symlink_to("pump.img")
    found = scan(tree)
    assert (found.status, found.findings, found.document["links"]) == (0, {}, 2)
    assert "Links within the tree: 2." in text(tree)


# D14: nothing is skipped silently.
def test_whatever_is_no_file_or_leads_out_of_the_tree_is_named_and_a_fault(tree: Path) -> None:
    (tree / "out").symlink_to("/etc/hostname")
    (tree / "fw" / "up").symlink_to("../..")
    (tree / "gone").symlink_to("nowhere")
    os.mkfifo(tree / "pipe")
    with socket.socket(socket.AF_UNIX) as one:
        one.bind(str(tree / "socket"))
    found = scan(tree)
    assert found.status == 1
    assert found.findings == {
        "gone": "link that leads to nothing",
        "out": "link that leads out of the tree",
        "fw/up": "link that leads out of the tree",
        "pipe": "neither file, folder nor link",
        "socket": "neither file, folder nor link",
    }
    said = text(tree)
    assert "link that leads out of the tree  out: to /etc/hostname\n" in said
    assert "neither file, folder nor link  pipe: not opened\n" in said


def test_a_folder_that_cannot_be_listed_is_named_and_a_fault(tree: Path) -> None:
    (tree / "locked").mkdir(mode=0)
    found = scan(tree, through=harness.bound_by_modes())
    assert (found.status, found.findings) == (1, {"locked": "cannot be read"})


# What a person accepts of it.


def test_what_rules_accept_is_named_with_its_rule_and_is_no_fault(
    tree: Path, tmp_path: Path
) -> None:
    (tree / "out").symlink_to("/etc/hostname")
    (tree / "tools").mkdir()
    (tree / "tools" / "probe.exe").write_bytes(b"infected, they say")
    accept = rules(
        tmp_path,
        {"finding": "link that leads out of the tree", "path": "out"},
        {"finding": "infected", "path": "tools/probe.exe", "size": 18},
    )
    assert scan(tree).status == 1
    found = scan(tree, "--accept", accept)
    assert (found.status, found.document["infected"]) == (0, 1)
    by_rule = {one["path"]: one["accepted_by_rule"] for one in found.document["findings"]}
    assert by_rule == {"out": 1, "tools/probe.exe": 2}
    assert [(one["finding"], one["accepted"]) for one in found.document["rules"]] == [
        ("link that leads out of the tree", 1),
        ("infected", 1),
    ]
    said = text(tree, "--accept", accept)
    assert "probe.exe: Plant.Drill  (accepted by rule 2)\n" in said
    assert f"Rule 2 (infected, tools/probe.exe) accepted 1 until {SOON}: looked into" in said
    assert "Next: depotserve tree check" in said


@pytest.mark.parametrize("kind", ["not scanned", "cannot be read", "unfinished"])
def test_a_pattern_for_another_kind_accepts_nothing_that_is_infected(
    tree: Path, tmp_path: Path, kind: str
) -> None:
    (tree / "fw" / "probe.exe").write_bytes(b"infected")
    found = scan(tree, "--accept", rules(tmp_path, {"finding": kind, "path": "fw/*"}))
    assert (found.status, found.findings) == (1, {"fw/probe.exe": "infected"})
    assert found.document["findings"][0]["accepted_by_rule"] is None


def test_an_infected_file_of_another_size_than_the_rules_is_a_fault(
    tree: Path, tmp_path: Path
) -> None:
    (tree / "probe.exe").write_bytes(b"infected")
    accept = rules(tmp_path, {"finding": "infected", "path": "probe.exe", "size": 8})
    assert scan(tree, "--accept", accept).status == 0
    (tree / "probe.exe").write_bytes(b"infected again")
    assert scan(tree, "--accept", accept).status == 1


def test_files_over_a_limit_are_accepted_as_not_scanned(tree: Path, tmp_path: Path) -> None:
    (tree / "large.iso").write_bytes(bytes(1000))
    settings = tmp_path / "scanner.yaml"
    settings.write_text("format: 1\nlargest: 999\n")
    accept = rules(tmp_path, {"finding": "not scanned", "path": "*.iso", "size": 1000})
    assert scan(tree, "--settings", settings).status == 1
    found = scan(tree, "--settings", settings, "--accept", accept)
    assert (found.status, found.document["not_scanned"]) == (0, 1)


def test_one_file_of_rules_serves_check_and_scan(tree: Path, tmp_path: Path) -> None:
    (tree / "probe.exe").write_bytes(b"infected")
    accept = rules(
        tmp_path,
        {"finding": "infected", "path": "probe.exe", "size": 8},
        {"finding": "missing", "path": "manual.pdf"},
    )
    said = text(tree, "--accept", accept)
    assert "Rule 2 (missing, manual.pdf) is for `tree check` alone: looked into" in said
    done = harness.run("tree", "check", tree, "--state", tmp_path / "state", "--accept", accept)
    said = done.stdout.decode()
    assert "rule 1 (infected, probe.exe) is for `tree scan` alone: looked into" in said
    assert "rule 2 (missing, manual.pdf) fits no finding, and can go" in said
