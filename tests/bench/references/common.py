"""What all references share: their arguments, their socket, their certificate."""

from __future__ import annotations

import argparse
import socket
import ssl
import sys
from pathlib import Path

import attrs

__all__ = ["BACKLOG", "Plan", "announce", "listen", "read_plan"]

BACKLOG = 1024  # as the product has it; a shorter one would refuse the 256 connections


@attrs.frozen
class Plan:
    """What to serve and, for TLS, by which certificate."""

    folder: Path
    tls: ssl.SSLContext | None
    certificate: str
    key: str


def read_plan() -> Plan:
    """Read `FOLDER [CERTIFICATE KEY]` from the command line."""
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("certificate", nargs="?", default="")
    parser.add_argument("key", nargs="?", default="")
    given = parser.parse_args()
    tls = None
    if given.certificate:
        tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        tls.load_cert_chain(given.certificate, given.key)
    return Plan(given.folder, tls, given.certificate, given.key)


def listen() -> socket.socket:
    """Listen on any free port of loopback."""
    return socket.create_server(("127.0.0.1", 0), backlog=BACKLOG)


def announce(listener: socket.socket) -> None:
    """Tell the benchmark on standard output where to ask."""
    sys.stdout.write(f"{listener.getsockname()[1]}\n")
    sys.stdout.flush()
