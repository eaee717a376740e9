"""Steps for whole machines, whose programs share one list of authorities."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING

from depotserve.tls.trust.forms import common_name, label
from depotserve.tls.trust.steps import Step

if TYPE_CHECKING:
    from collections.abc import Sequence

    from depotserve.tls.trust.steps import Given

__all__ = [
    "compare_macos",
    "compare_windows",
    "install_debian",
    "install_macos",
    "install_redhat",
    "install_windows",
    "test_linux",
    "test_macos",
    "test_windows",
]

_DEBIAN = "/usr/local/share/ca-certificates"
_REDHAT = "/etc/pki/ca-trust/source/anchors"
_KEYCHAIN = "/Library/Keychains/System.keychain"
_DER = "the SHA-256 of a DER file is the certificate's own, written without colons:"
_AGAIN = "Programs that run keep the old list until they are started again."


def install_debian(given: Given) -> Sequence[Step]:
    """Follow update-ca-certificates(8)."""
    copies = [f"sudo install -m 0644 {file} {_DEBIAN}/{name}.crt" for file, name in given.labelled]
    return [
        Step(
            "For apt, curl, wget and most others on the machine; the name must end in .crt:",
            (*copies, "sudo update-ca-certificates"),
        ),
        Step(
            "Firefox, and Python's requests and JVMs from elsewhere, have lists of their own: see"
            f" --for firefox, python and java. {_AGAIN}"
        ),
    ]


def install_redhat(given: Given) -> Sequence[Step]:
    """Follow update-ca-trust(8)."""
    copy = f"sudo install -m 0644 {given.file} {_REDHAT}/{label(given.anchors[0])}.pem"
    return [
        Step(
            "For dnf, curl, wget, the system's JVM and most others on the machine:",
            (copy, "sudo update-ca-trust extract"),
        ),
        Step(
            "Python's requests and JVMs from elsewhere have lists of their own: see --for python"
            f" and java. {_AGAIN}"
        ),
    ]


def test_linux(given: Given) -> Sequence[Step]:
    """Say how it is seen that the machine's programs trust the depot."""
    run = tuple(f"curl --fail {shlex.quote(url)}" for url in given.urls)
    return [Step("Each of these answers without a complaint:", run)]


def compare_windows(given: Given) -> Sequence[Step]:
    """Say how the fingerprint is shown."""
    run = (f"Get-FileHash -Algorithm SHA256 -Path {_quoted(name)}" for name in given.names)
    return [Step(f"In PowerShell; {_DER}", tuple(run))]


def install_windows(given: Given) -> Sequence[Step]:
    """Put the authority among the machine's trusted roots."""
    store = r"-CertStoreLocation Cert:\LocalMachine\Root"
    run = (f"Import-Certificate -FilePath {_quoted(name)} {store}" for name in given.names)
    return [
        Step("For the machine, in PowerShell as administrator:", tuple(run)),
        Step(
            "For many machines: group policy, Computer Configuration, Windows Settings, Security"
            " Settings, Public Key Policies, Trusted Root Certification Authorities."
        ),
        Step("JVMs and Python's requests have lists of their own: see --for java and python."),
    ]


def test_windows(given: Given) -> Sequence[Step]:
    """Say how it is seen that Windows trusts the depot."""
    run = (f"(Invoke-WebRequest -UseBasicParsing {_quoted(url)}).StatusCode" for url in given.urls)
    return [Step("In a new PowerShell, each of these prints 200:", tuple(run))]


def compare_macos(given: Given) -> Sequence[Step]:
    """Say how the fingerprint is shown."""
    return [Step(f"In Terminal; {_DER}", (f"shasum -a 256 {' '.join(given.files)}",))]


def install_macos(given: Given) -> Sequence[Step]:
    """Follow security(1)."""
    command = f"sudo security add-trusted-cert -d -r trustRoot -p ssl -k {_KEYCHAIN}"
    return [
        Step(
            "For the machine; macOS 11 and later ask for an administrator's password:",
            tuple(f"{command} {file}" for file in given.files),
        ),
        Step("For many machines: a configuration profile with the certificate as its payload."),
        Step("JVMs and Python's requests have lists of their own: see --for java and python."),
    ]


def test_macos(given: Given) -> Sequence[Step]:
    """Say how it is seen that macOS trusts the depot."""
    listing = (
        f"security find-certificate -a -Z -c {shlex.quote(common_name(one))} {_KEYCHAIN}"
        for one in given.anchors
    )
    return [
        Step("The authority is shown with its SHA-256 by:", tuple(listing)),
        Step(f"Safari opens each of these without a warning: {given.spoken_urls}"),
    ]


def _quoted(text: str) -> str:
    """Quote for PowerShell, where a single quote is doubled."""
    return "'" + text.replace("'", "''") + "'"
