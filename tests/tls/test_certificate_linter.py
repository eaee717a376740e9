"""Outside check: pkilint, which holds certificates to RFC 5280 and to the rules for public ones.

It pins an older version of a library of ours, so it runs as a program of its own.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from typing import TYPE_CHECKING

import harness
import pytest

from depotserve import tls

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.slow

HOSTS = ["depot.plant.example", "10.0.0.5", "127.0.0.1", "::1"]
_CODE = re.compile(r"^ {4}(\S+) \((ERROR|FATAL|WARNING|NOTICE|INFO)\)", re.MULTILINE)

# What only tells how an extension was made.
REMARKS = {"pkix.subject_key_identifier_method_1_identified"}  # RFC 5280 §4.2.1.2 (1)
# Rules of the CA/Browser Forum (TLS BR) for authorities that every browser trusts from the start.
# A depot's authority is trusted by its own clients alone, on a network that such rules forbid.
EXPLAINED_LEAF = {
    # §6.3.2: 200 days. Own authorities: Apple support 103769, 825 days.
    "cabf.serverauth.certificate_validity_period_exceeds_200_days",
    # §7.1.2.7.2: not recommended; here people tell certificates apart by it.
    "cabf.serverauth.dv.common_name_attribute_present",
    # §7.1.2.11.2, §4.9: lists and responders; an isolated network has no place to ask.
    "cabf.serverauth.subscriber.revocation_information_absent",
    "msft.end_entity.revocation_information_absent",
    "cabf.serverauth.subscriber.authority_info_access_extension_absent",
    # §4.2.2: names and addresses that the internet does not know are what a depot is for.
    "cabf.internal_domain_name",
    "cabf.internal_ip_address",
    # §7.1.2.7.6: not recommended; RFC 5280 §4.2.1.2 asks for it.
    "cabf.serverauth.subscriber.subject_key_identifier_extension_present",
    # §7.1.2.7.9: a public authority states its policy; ours has none that anybody could look up.
    "cabf.serverauth.subscriber.certificate_policies_extension_absent",
    # §7.1.2.7.11: not recommended with RSA; old clients encrypt the key exchange to it.
    "cabf.serverauth.subscriber_rsa_digitalsignature_and_keyencipherment_present",
}
EXPLAINED_AUTHORITY = {
    # §7.1.2.10.2: the country of an organisation that is none here.
    "cabf.serverauth.ca.country_attribute_absent",
    # §7.1.2.1.4: not recommended for roots that sign other authorities; ours must not.
    "cabf.serverauth.root_basic_constraints_pathlenconstraint_present",
    # §7.1.2.10.7: needed to sign responses about revocation, which ours never does.
    "cabf.ca_certificate_no_digital_signature_bit",
    # §7.1.2.1.2: recommended; RFC 5280 §4.2.1.1 lets a self-signed certificate leave it out.
    "cabf.serverauth.root.authority_key_identifier_extension_absent",
}


def lint(program: str, *arguments: str | Path) -> set[str]:
    """Run one linter; give the codes of what it found."""
    folder = os.environ.get("DEPOTSERVE_SCANNERS", "")
    path = harness.need(program, found=bool(shutil.which(program, path=folder)))
    path = shutil.which(program, path=folder) or path
    done = subprocess.run(
        [path, "lint", *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert "Traceback" not in done.stderr, done.stderr
    assert done.stderr == "", done.stderr
    return {code for code, _ in _CODE.findall(done.stdout)}


@pytest.fixture(scope="module", params=list(tls.KeyKind))
def authority(request: pytest.FixtureRequest) -> tls.Pair:
    return tls.authority.create("depot.plant.example", kind=request.param)


def write(path: Path, content: bytes) -> Path:
    path.write_bytes(content)
    return path


@pytest.mark.parametrize("kind", tls.KeyKind)
def test_a_leaf_and_its_authority_are_as_rfc_5280_says(
    authority: tls.Pair, kind: tls.KeyKind, tmp_path: Path
) -> None:
    leaf = write(tmp_path / "leaf.pem", tls.issue(authority, HOSTS, kind=kind).certificate)
    root = write(tmp_path / "root.pem", authority.certificate)
    assert lint("lint_pkix_cert", leaf) == REMARKS
    assert lint("lint_pkix_cert", root) == REMARKS
    assert lint("lint_pkix_signer_signee_cert_chain", root, leaf) == set()


@pytest.mark.parametrize("kind", tls.KeyKind)
def test_what_remains_of_the_rules_for_public_certificates_is_explained(
    authority: tls.Pair, kind: tls.KeyKind, tmp_path: Path
) -> None:
    leaf = write(tmp_path / "leaf.pem", tls.issue(authority, HOSTS, kind=kind).certificate)
    root = write(tmp_path / "root.pem", authority.certificate)
    assert lint("lint_cabf_serverauth_cert", "-d", leaf) <= REMARKS | EXPLAINED_LEAF
    assert lint("lint_cabf_serverauth_cert", "-d", root) <= REMARKS | EXPLAINED_AUTHORITY


def test_the_linter_sees_a_certificate_that_is_wrong(tmp_path: Path) -> None:
    command = "openssl req -x509 -newkey rsa:2048 -nodes -subj / -days 5 -keyout k -out bad.pem"
    subprocess.run(
        [*command.split(), "-addext", "keyUsage=keyCertSign"],
        cwd=tmp_path,
        capture_output=True,
        check=True,
    )
    assert not lint("lint_pkix_cert", tmp_path / "bad.pem") <= REMARKS
