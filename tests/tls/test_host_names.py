from __future__ import annotations

import json
import ssl
import subprocess
from ipaddress import ip_address
from pathlib import Path
from typing import Any

import pytest

from depotserve import tls
from depotserve.errors import CallerError

VECTORS = Path(__file__).parents[1] / "standards" / "tls_names.json"
ROWS: list[dict[str, Any]] = json.loads(VECTORS.read_text())["rows"]


def sans(row: dict[str, Any]) -> list[str]:
    return [name.partition(":")[2] for name in row["san"]]


# Kinds of mistake and the normal forms: ../shared cases, C03; RFC 5280 section 4.2.1.6.
@pytest.mark.parametrize(
    ("text", "host"),
    [
        ("depot.plant.example", "depot.plant.example"),
        ("DEPOT.Plant.Example", "depot.plant.example"),
        ("depot.plant.example.", "depot.plant.example"),
        ("localhost", "localhost"),
        ("gateway-7", "gateway-7"),
        ("bücher.example", "xn--bcher-kva.example"),
        ("BÜCHER.example", "xn--bcher-kva.example"),
        ("faß.example", "xn--fa-hia.example"),
        ("xn--bcher-kva.example", "xn--bcher-kva.example"),
        ("a" * 63 + ".example", "a" * 63 + ".example"),
        ("10.0.0.5", ip_address("10.0.0.5")),
        ("::1", ip_address("::1")),
        ("2001:0DB8:0:0:0:0:0:ABCD", ip_address("2001:db8::abcd")),
    ],
)
def test_a_host_is_brought_into_one_form(text: str, host: object) -> None:
    assert tls.parse_host(text) == host


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "is empty"),
        ("   ", "is empty"),
        ("a b", "blank"),
        (" depot", "blank"),
        ("depot\n", "blank"),
        ("de\x00pot", "control character"),
        ("https://depot", "address of a page"),
        ("depot:443", "has a port"),
        ("depot:", "has a port"),
        ("10.0.0.5:443", "has a port"),
        ("depot/x", "more than a host"),
        ("ann@depot", "more than a host"),
        ("10.0.0.0/24", "more than a host"),
        ("[::1]", "brackets"),
        ("fe80::1%eth0", "network interface"),
        ("*.plant.example", "pattern"),
        ("a:b:c", "neither a name nor an address"),
        ("a..b", "no host name"),
        (".a", "no host name"),
        ("a_b.example", "no host name"),
        ("-a.example", "no host name"),
        ("a-.example", "no host name"),
        ("a" * 64, "no host name"),
        (".".join(["a" * 60] * 5), "no host name"),
        ("1.2.3", "ends in a number"),
        ("300.1.1.1", "ends in a number"),
        ("0x7f000001", "ends in a number"),
        ("a.0x1", "ends in a number"),
        ("010.0.0.1", "ends in a number"),
        ("0.0.0.0", "no address that a client"),  # noqa: S104
        ("::", "no address that a client"),
        ("224.0.0.1", "no address that a client"),
        ("\ud800.example", "domain name system"),
        ("xn--zzzzzz99999", "domain name system"),
        ("é" * 300, "domain name system"),
    ],
)
def test_what_is_no_host_is_refused_in_one_line(text: str, reason: str) -> None:
    with pytest.raises(CallerError, match=reason) as caught:
        tls.parse_host(text)
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 500


# Source: vectors tls_names.json (RFC 9525 section 6.3). A depot vouches for itself, so it issues
# no patterns; everything else it issues in the form that clients match.
@pytest.mark.parametrize("row", [row for row in ROWS if "*" in str(row["san"])], ids=str)
def test_patterns_of_the_vectors_are_not_issued(row: dict[str, Any]) -> None:
    with pytest.raises(CallerError, match="pattern"):
        tls.issue(tls.authority.create("x"), sans(row))


@pytest.mark.parametrize(
    "row", [row for row in ROWS if row["san"] and "*" not in str(row["san"])], ids=str
)
def test_names_of_the_vectors_are_issued_so_that_the_reference_matches(
    row: dict[str, Any], tmp_path: Path
) -> None:
    # Rows marked false hold a name in a wrong form (an address as dNSName, a final dot, a
    # U-label); issuing mends the form, so that each reference matches in the end.
    anchor = tls.authority.create("x")
    pair = tls.issue(anchor, sans(row))
    (tmp_path / "ca").write_bytes(anchor.certificate)
    (tmp_path / "leaf").write_bytes(pair.certificate)
    reference = row["reference"]
    kind = "ip" if ":" in reference or reference[0].isdigit() else "hostname"
    command = ["openssl", "verify", "-x509_strict", "-CAfile", str(tmp_path / "ca")]
    command += [f"-verify_{kind}", reference, str(tmp_path / "leaf")]
    done = subprocess.run(command, capture_output=True, text=True, timeout=30, check=False)
    assert done.returncode == 0, done.stderr
    shown = ssl._ssl._test_decode_cert(str(tmp_path / "leaf"))["subjectAltName"]  # noqa: SLF001
    assert all(not name.endswith(".") and name.isascii() for _, name in shown)


def test_this_machine_is_known_by_loopback_and_by_no_link_local_address() -> None:
    names = tls.local_names()
    assert {"localhost", "127.0.0.1", "::1"} <= set(names)
    assert names[-3:] == ["localhost", "127.0.0.1", "::1"]
    assert len(names) == len(set(names))
    parsed = [tls.parse_host(name) for name in names]
    assert not any(not isinstance(host, str) and host.is_link_local for host in parsed)


# Outside check: what ip(8) of iproute2 lists.
def test_this_machines_own_addresses_are_found() -> None:
    shown = subprocess.run(
        ["ip", "-brief", "address", "show", "scope", "global"],
        capture_output=True,
        text=True,
        timeout=30,
        check=True,
    ).stdout
    addresses = [word.partition("/")[0] for word in shown.split() if "/" in word]
    assert set(addresses) <= set(tls.local_names())
