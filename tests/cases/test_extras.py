"""Cases X01 and X02: a client's odd Accept field, and a log that is rotated."""

from __future__ import annotations

import functools
import json
import signal
import threading
from typing import TYPE_CHECKING

import case_tree
import pytest
import serving
from case_tree import ALPHABET, ask

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    import harness

JAVA = "Accept: text/html, image/gif, image/jpeg, *; q=.2, */*; q=.2"


@pytest.fixture
def depot(tmp_path: Path) -> Iterator[harness.RunningDepot]:
    root = case_tree.make(tmp_path)
    with serving.serving(tmp_path, serving.mount("/", root), workers=2) as running:
        yield running


@pytest.mark.parametrize("accept", [JAVA, "Accept: *", "Accept: ;;;,q=", "Accept: text/html;q=x"])
def test_a_malformed_media_range_is_no_reason_to_refuse(
    depot: harness.RunningDepot, accept: str
) -> None:
    # X01: RFC 9110 section 12.5.1 lets a server disregard the field.
    got = ask(depot, "/f26.bin", accept)
    assert (got.status, got.body) == (200, ALPHABET)
    assert ask(depot, "/d/", accept).status == 200
    assert ask(depot, "/none", accept).status == 404


@pytest.mark.parametrize("tell", [True, False])
def test_no_line_is_lost_when_the_log_is_renamed(depot: harness.RunningDepot, tell: bool) -> None:
    # X02, with the signal that a rotating program sends and without it.
    log = depot.home / "log" / "access.log"
    running = threading.Event()
    sent: list[int] = []
    ask(depot, "/x?before")
    serving.wait_for(log.exists)

    def download() -> None:
        while not running.is_set():
            sent.append(len(sent))
            assert ask(depot, f"/x?number={sent[-1]}").status == 200

    asking = threading.Thread(target=download)
    asking.start()
    for number in range(3):
        wanted = (number + 1) * 20
        serving.wait_for(functools.partial(lambda wanted: len(sent) > wanted, wanted))
        log.rename(log.with_name(f"access.log.{number}"))
        if tell:
            depot.signal(signal.SIGUSR1)
        serving.wait_for(log.exists)
    running.set()
    asking.join()
    serving.wait_for(lambda: len(numbers_in(log.parent)) == len(sent))
    assert numbers_in(log.parent) == sent
    assert log.stat().st_size > 0
    assert depot.process.poll() is None


def numbers_in(folder: Path) -> list[int]:
    lines = [line for file in folder.iterdir() for line in file.read_text().splitlines()]
    return sorted(int(line.split("number=")[1].split()[0]) for line in lines if "number=" in line)


def test_a_log_cut_in_place_has_no_run_of_nul(depot: harness.RunningDepot) -> None:
    # X02: copied and cut, as a rotating program may do; what is appended begins at the start.
    log = depot.home / "log" / "access.log"
    ask(depot, "/x?first")
    serving.wait_for(log.exists)
    serving.wait_for(lambda: "first" in log.read_text())
    with log.open("r+b") as file:
        file.truncate(0)
    ask(depot, "/x?second")
    serving.wait_for(lambda: "second" in log.read_text())
    assert b"\0" not in log.read_bytes()
    assert log.read_text().startswith("127.0.0.1 ")


def test_the_json_log_has_one_object_a_line(tmp_path: Path) -> None:
    root = case_tree.make(tmp_path)
    log = {"format": "json", "to": "file"}
    with serving.serving(tmp_path, serving.mount("/", root), access_log=log) as depot:
        assert ask(depot, "/f26.bin", "Range: bytes=0-1").status == 206
    (record,) = [json.loads(line) for line in depot.access_log().splitlines()]
    named = {name: record[name] for name in ("user", "target", "status", "bytes", "outcome")}
    assert named == {
        "user": "ann",
        "target": "/f26.bin",
        "status": 206,
        "bytes": 2,
        "outcome": "part",
    }
