from __future__ import annotations

import contextlib
import os
import socket
from typing import TYPE_CHECKING, Any

import harness
import pytest
from inspection_kit import SERVICE, as_user, findings, not_fine, only_root, rows, said, unsound

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


def _listen_on(home: Path, port: int, address: str = "127.0.0.1", **more: Any) -> None:
    harness.change_settings(home, listeners=[{"address": address, "port": port, **more}])


def _ports(home: Path) -> list[tuple[str, str, str]]:
    return [row for row in rows(findings(home)) if row[1] == "ports"]


@contextlib.contextmanager
def _taken() -> Iterator[int]:
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        listener.listen()
        yield listener.getsockname()[1]


def _free() -> int:
    with socket.socket() as once:
        once.bind(("127.0.0.1", 0))
        return int(once.getsockname()[1])


def test_a_free_port_is_fine(home: Path) -> None:
    port = _free()
    _listen_on(home, port)
    assert _ports(home) == [("fine", "ports", f"127.0.0.1 port {port}: free")]


def test_a_port_that_another_program_has_is_a_fault_that_says_how_to_find_it(home: Path) -> None:
    with _taken() as port:
        _listen_on(home, port)
        assert unsound(home) == [
            ("fault", "ports", f"127.0.0.1 port {port}: is taken by another program")
        ]
        (advice,) = [one.advice for one in findings(home) if one.advice]
    assert advice.startswith(f"stop that one (ss -ltnp 'sport = :{port}' names it)")


def test_of_several_listeners_each_has_its_line(home: Path) -> None:
    port = _free()
    with _taken() as other:
        places = [{"address": "127.0.0.1", "port": each} for each in (port, other, 0)]
        harness.change_settings(home, listeners=places)
        grades = [grade for grade, _, _ in _ports(home)]
    assert grades == ["fine", "fault", "fine"]


def test_a_depot_that_runs_is_named_and_goes_on_serving(home: Path) -> None:
    _listen_on(home, _free())
    depot = harness.start(home, workers=2)
    try:
        text = f"127.0.0.1 port {depot.port}: served by process {depot.pid}"
        for _ in range(5):
            assert _ports(home) == [("fine", "ports", text)]
            assert harness.answer(depot.raw(harness.get("/x"))).status == 200
        assert unsound(home) == []
    finally:
        depot.stop()
    assert _ports(home) == [("fine", "ports", f"127.0.0.1 port {depot.port}: free")]


def test_a_listener_that_came_after_the_start_is_a_caution_until_the_restart(home: Path) -> None:
    _listen_on(home, _free())
    depot = harness.start(home, workers=1)
    port = _free()
    try:
        _listen_on(home, port)
        text = f"127.0.0.1 port {port} is not open, although process {depot.pid} serves this home"
        assert unsound(home) == [("caution", "ports", text)]
    finally:
        depot.stop()


def test_an_address_of_another_machine_is_a_fault(home: Path) -> None:
    # RFC 5737 §3: no machine has this address.
    _listen_on(home, 8443, "203.0.113.7")
    assert ("fault", "ports", "203.0.113.7 port 8443: is no address of this machine") in unsound(
        home
    )


def _lowest() -> int:
    with open("/proc/sys/net/ipv4/ip_unprivileged_port_start") as file:
        return int(file.read())


@only_root
@pytest.mark.skipif(_lowest() < 1024, reason="every user may open low ports here")
def test_a_low_port_is_tried_with_the_rights_of_the_service(shared: Path) -> None:
    _listen_on(shared, 443)
    os.chown(shared / "depot.yaml", 0, SERVICE)
    (shared / "depot.yaml").chmod(0o640)
    text = "127.0.0.1 port 443: this user may not open so low a port"
    for through in ([], as_user(SERVICE)):
        found = said(shared, 0, through=through)
        assert not_fine(found) == [("caution", "ports", text)]
        (advice,) = [row["advice"] for row in found if row["advice"]]
        assert "AmbientCapabilities=CAP_NET_BIND_SERVICE" in advice


@only_root
def test_root_who_serves_may_open_a_low_port(home: Path) -> None:
    _listen_on(home, 843)
    assert _ports(home) == [("fine", "ports", "127.0.0.1 port 843: free")]
