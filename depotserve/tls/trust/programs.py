"""Steps for programs that have a list of authorities of their own, and read PEM text."""

from __future__ import annotations

import json
import shlex
from typing import TYPE_CHECKING

from depotserve.tls.trust.steps import Step

if TYPE_CHECKING:
    from collections.abc import Sequence

    from depotserve.tls.trust.steps import Given

__all__ = [
    "compare",
    "install_container",
    "install_curl",
    "install_firefox",
    "install_python",
    "test_curl",
    "test_firefox",
    "test_python",
]

_POLICIES = "/etc/firefox/policies"
_USERS_LIST = "sql:$HOME/.pki/nssdb"
_IMAGES = {
    "For podman, buildah and skopeo; the folder is host and port as the names of images have"
    " them, without the port where it is 443:": "/etc/containers/certs.d",
    "For docker; it needs no new start:": "/etc/docker/certs.d",
}
_STANDARD = "import sys, urllib.request as r; [print(r.urlopen(u).status) for u in sys.argv[1:]]"
_REQUESTS = "import sys, requests as r; [print(r.get(u).status_code) for u in sys.argv[1:]]"


def compare(given: Given) -> Sequence[Step]:
    """Say how the fingerprints of all certificates in PEM files are shown."""
    # `openssl x509` reads the first block of a file only; awk gives it one after the other.
    program = "/BEGIN/ {close(c)} {print | c}"
    command = "openssl x509 -noout -fingerprint -sha256"
    run = f"awk -v c='{command}' '{program}' {' '.join(given.files)}"
    return [Step("What is in the file is shown on the client by:", (run,))]


def install_firefox(given: Given) -> Sequence[Step]:
    """Put the authority into a policy, or into the list of one profile (NSS)."""
    kept = [f"{_POLICIES}/{name}.pem" for _, name in given.labelled]
    copies = [f"sudo install -D -m 0644 {file} {new}" for file, new in zip(given.files, kept)]
    policy = json.dumps({"policies": {"Certificates": {"Install": kept}}})
    return [
        Step(
            "For all users on Linux, Firefox 65 and later; where a policies.json is there already,"
            " add its Certificates part by hand:",
            (*copies, f"echo '{policy}' | sudo tee {_POLICIES}/policies.json"),
        ),
        Step(
            "Or for one profile while Firefox is closed: about:profiles names its root folder,"
            " which takes the place of PROFILE; the package is libnss3-tools or nss-tools:",
            _add(given, "sql:PROFILE"),
        ),
        Step(
            "Chromium on Linux reads a list of each user's:",
            (
                "mkdir -p $HOME/.pki/nssdb",
                f"certutil -L -d {_USERS_LIST} || certutil -N -d {_USERS_LIST} --empty-password",
                *_add(given, _USERS_LIST),
            ),
        ),
        Step(
            "On Windows and macOS take --for windows or macos instead: Firefox reads their list"
            " with the policy Certificates, ImportEnterpriseRoots: true."
        ),
    ]


def test_firefox(given: Given) -> Sequence[Step]:
    """Say how it is seen that a browser trusts the depot."""
    return [
        Step("After a new start, about:policies shows a policy as active and no error."),
        Step(f"The browser opens each of these without a warning: {given.spoken_urls}"),
    ]


def install_python(given: Given) -> Sequence[Step]:
    """Name the variables that the libraries read."""
    names = ("SSL_CERT_FILE", "REQUESTS_CA_BUNDLE", "PIP_CERT")
    return [
        Step(
            "For programs that are started from one shell, in the place of their own lists: the"
            " first is for the ssl module and urllib, the second for requests, the third for pip:",
            tuple(f'export {name}="$PWD"/{given.file}' for name in names),
        ),
        Step(
            "Or in a program: ssl.create_default_context(cafile=FILE), and verify=FILE for calls"
            " and sessions of requests."
        ),
    ]


def test_python(given: Given) -> Sequence[Step]:
    """Say how it is seen that Python trusts the depot."""
    run = (
        f"SSL_CERT_FILE={given.file} python3 -c '{_STANDARD}' {given.quoted_urls}",
        f"REQUESTS_CA_BUNDLE={given.file} python3 -c '{_REQUESTS}' {given.quoted_urls}",
    )
    return [Step("Both print 200 for every address; the second needs requests:", run)]


def install_curl(given: Given) -> Sequence[Step]:
    """Follow curl(1), wget(1) and apt-transport-https(1)."""
    return [
        Step(
            "For every call of one user, in the place of curl's own list:",
            (f'printf \'cacert = "%s"\\n\' "$PWD"/{given.file} >> ~/.curlrc',),
        ),
        Step("Or for one call: --cacert FILE, as in the test below."),
        Step(
            "wget takes --ca-certificate=FILE, or a line ca_certificate = FILE in ~/.wgetrc; apt"
            ' takes Acquire::https::CaInfo "FILE"; in a file of /etc/apt/apt.conf.d.'
        ),
    ]


def test_curl(given: Given) -> Sequence[Step]:
    """Say how it is seen that the file is the right one."""
    run = (f"curl --fail --cacert {given.file} {shlex.quote(url)}" for url in given.urls)
    return [Step("Each of these answers without a complaint:", tuple(run))]


def install_container(given: Given) -> Sequence[Step]:
    """Follow containers-certs.d(5), and the like folder of docker."""
    places = [shlex.quote(place.removesuffix(":443")) for place in given.places]
    return [
        Step(
            say,
            tuple(
                f"sudo install -D -m 0644 {given.file} {folder}/{place}/ca.crt" for place in places
            ),
        )
        for say, folder in _IMAGES.items()
    ]


def _add(given: Given, folder: str) -> tuple[str, ...]:
    """Give NSS's commands that trust each authority for servers (C) and for nothing else."""
    return tuple(
        f"certutil -A -d {folder} -n {name} -t C,, -i {file}" for file, name in given.labelled
    )
