from __future__ import annotations

import shutil
import time
from datetime import timedelta
from typing import TYPE_CHECKING

import certificate_kit as kit
import harness
import pytest
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import rsa
from inspection_kit import findings, rows, unsound

from depotserve import tls
from depotserve.home import Home
from depotserve.inspection import Grade, authority, certificate
from depotserve.inspection.scene import scene_of

if TYPE_CHECKING:
    from pathlib import Path

    from depotserve.inspection import Finding

HOSTS = ("localhost", "127.0.0.1")
DAY = 86400
NOW = kit.NOW.timestamp()


def _certificate(home: Path, *, now: float | None = None) -> list[Finding]:
    return [one for one in findings(home, now=now) if one.topic == "certificate"]


def _until(days: int) -> str:
    return f"{kit.NOW + timedelta(days=days, hours=1):%Y-%m-%d}"


def _from_outside(home: Path) -> kit.Made:
    """Let the home have no authority of its own; give the root of another one."""
    root = kit.make("Plant root", days=3000)
    for name in ("authority.pem", "authority.key"):
        (home / "tls" / name).unlink()
    (home / "tls" / "anchors.pem").write_bytes(root.pem)
    return root


@pytest.mark.parametrize(
    ("days", "grade"), [(91, "fine"), (89, "caution"), (15, "caution"), (13, "fault"), (1, "fault")]
)
def test_the_days_left_decide_ninety_for_a_new_one_and_fourteen_before_it_is_late(
    home: Path, days: int, grade: str
) -> None:
    authority = kit.make("Depot authority", days=3000)
    kit.put_authority(home, authority)
    kit.put(home, kit.make("depot", authority, days=days, hosts=HOSTS))
    (found,) = _certificate(home, now=NOW)
    assert found.grade.value == grade
    said = f"good for {days} days, until {_until(days)} for localhost, 127.0.0.1"
    assert found.text == said
    assert found.advice == ("" if grade == "fine" else "depotserve cert issue")


def test_a_certificate_of_another_authority_is_renewed_there(home: Path) -> None:
    root = _from_outside(home)
    kit.put(home, kit.make("depot", root, days=30, hosts=HOSTS))
    (found,) = _certificate(home)
    assert found.grade.value == "caution"
    assert found.advice.startswith("depotserve cert request, and depotserve cert install")


def test_a_chain_over_an_intermediate_up_to_a_known_root_is_fine(home: Path) -> None:
    root = _from_outside(home)
    middle = kit.make("Plant issuing", root, days=800)
    kit.put(home, kit.make("depot", middle, hosts=HOSTS), middle)
    assert unsound(home) == []


def test_both_chains_of_two_keys_are_told(home: Path) -> None:
    authority = kit.make("Depot authority", days=3000)
    kit.put_authority(home, authority)
    first = kit.make("depot", authority, days=300, hosts=HOSTS)
    old = rsa.generate_private_key(65537, 2048)
    second = kit.make("depot", authority, days=50, hosts=HOSTS, key=old)
    kit.put(home, first, second, keys=(first, second))
    found = [(one.grade.value, one.text) for one in _certificate(home, now=NOW)]
    assert found == [
        ("fine", f"ECDSA: good for 300 days, until {_until(300)} for localhost, 127.0.0.1"),
        ("caution", f"RSA: good for 50 days, until {_until(50)} for localhost, 127.0.0.1"),
    ]


def test_a_missing_intermediate_is_one_caution_that_names_it(home: Path) -> None:
    root = _from_outside(home)
    middle = kit.make("Plant issuing", root)
    kit.put(home, kit.make("depot", middle, hosts=HOSTS))
    text = "the chain ends at CN=depot, and CN=Plant issuing is not in HOME/tls:"
    text += " clients that do not have it refuse"
    assert unsound(home) == [("caution", "certificate", text)]


def test_an_authority_that_issued_something_else_is_told_beside_the_chain(home: Path) -> None:
    root = kit.make("Plant root", days=3000)
    kit.put(home, kit.make("depot", root, hosts=HOSTS))
    ((grade, topic, text),) = unsound(home)
    assert (grade, topic) == ("caution", "certificate")
    assert "CN=Plant root is not in HOME/tls" in text
    (authority,) = [one for one in findings(home) if one.topic == "authority"]
    assert authority.text.endswith("; the certificate in force is another authority's")


def test_a_weak_signature_in_the_chain_is_one_fault(home: Path, tmp_path: Path) -> None:
    root = _from_outside(home)
    middle = kit.sign_again(kit.make("Plant issuing"), root, tmp_path, "sha1")
    kit.put(home, kit.make("depot", middle, hosts=HOSTS), middle)
    text = "the authority CN=Plant issuing is signed with SHA1, which clients refuse"
    assert unsound(home) == [("fault", "certificate", text)]


@pytest.mark.parametrize("place", ["leaf", "issuer"])
def test_a_weak_key_in_the_chain_is_one_fault(home: Path, place: str) -> None:
    root = _from_outside(home)
    weak = rsa.generate_private_key(65537, 1024)  # noqa: S505  # on purpose
    middle = kit.make("Plant issuing", root, key=weak if place == "issuer" else None)
    leaf = kit.make("depot", middle, hosts=HOSTS, key=weak if place == "leaf" else None)
    kit.put(home, leaf, middle)
    which = {"leaf": "it", "issuer": "the authority CN=Plant issuing"}[place]
    text = f"{which} has an RSA key of 1024 bits; 2048 or more"
    assert unsound(home) == [("fault", "certificate", text)]


def test_an_authoritys_certificate_in_a_servers_place_is_a_fault(home: Path) -> None:
    root = _from_outside(home)
    kit.put(home, kit.make("Plant issuing", root))
    texts = [text for grade, _, text in unsound(home) if grade == "fault"]
    assert any("has no subjectAltName" in text for text in texts)
    assert any("is an authority's certificate" in text for text in texts)


def test_an_intermediate_that_ends_first_is_what_is_named(home: Path) -> None:
    root = _from_outside(home)
    middle = kit.make("Plant issuing", root, days=10)
    kit.put(home, kit.make("depot", middle, days=300, hosts=HOSTS), middle)
    (found,) = _certificate(home, now=NOW)
    assert found.grade.value == "fault"
    said = f"good for 300 days, until {_until(300)}, but its authority CN=Plant issuing:"
    assert found.text == f"{said} good for 10 days, until {_until(10)}"


def test_files_that_are_no_pair_are_one_fault_that_says_what_follows(home: Path) -> None:
    (home / "tls" / "server.key").write_bytes(kit.make("other").key_pem)
    text = "server.pem: does not belong to the key in server.key; a depot that runs goes on with"
    text += " the one before, and could not start again"
    assert unsound(home) == [("fault", "certificate", text)]


DAMAGES = {
    "an empty certificate": ("server.pem", lambda _text: b""),
    "a cut certificate": ("server.pem", lambda text: text[:200]),
    "a cut key": ("server.key", lambda text: text[:100]),
    "an encrypted key": ("server.key", lambda _text: kit.make("x").key_under(b"word")),
    "a certificate for a key": ("server.key", lambda _text: kit.make("x").pem),
}


@pytest.mark.parametrize("name", DAMAGES)
def test_a_damaged_file_is_one_fault(home: Path, name: str) -> None:
    file, damage = DAMAGES[name]
    path = home / "tls" / file
    path.write_bytes(damage(path.read_bytes()))
    ((grade, topic, text),) = unsound(home)
    assert (grade, topic) == ("fault", "certificate")
    assert text.startswith(f"{file}: ")


def test_a_folder_without_any_certificate_is_one_fault(home: Path) -> None:
    shutil.rmtree(home / "tls")
    text = f"{home}/tls/server.pem: No such file or directory"
    assert unsound(home) == [("fault", "certificate", text)]


def test_a_prepared_certificate_is_told_with_its_fingerprint(home: Path) -> None:
    authority = kit.make("Depot authority", days=3000)
    kit.put_authority(home, authority)
    kit.put(home, kit.make("depot", authority, days=60, hosts=HOSTS))
    following = kit.make("depot", authority, days=800, hosts=HOSTS)
    kit.put(home, following, name="server-next")
    live, prepared = _certificate(home, now=NOW)
    assert live.grade.value == "caution"
    assert live.advice == "depotserve cert issue --activate puts the prepared one in force"
    fingerprint = following.certificate.fingerprint(hashes.SHA256()).hex(":").upper()
    said = f"prepared: good for 800 days, until {_until(800)}, SHA-256 fingerprint {fingerprint}"
    assert (prepared.grade.value, prepared.text) == ("fine", said)


def test_a_prepared_one_that_takes_its_place_by_itself_asks_for_nothing(home: Path) -> None:
    authority = kit.make("Depot authority", days=3000)
    kit.put_authority(home, authority)
    kit.put(home, kit.make("depot", authority, days=60, hosts=HOSTS))
    kit.put(home, kit.make("depot", authority, days=800, hosts=HOSTS), name="server-next")
    harness.change_settings(home, tls={"renew": "auto"})
    assert unsound(home) == []


def test_a_prepared_one_for_fewer_names_is_a_caution(home: Path) -> None:
    authority = kit.make("Depot authority", days=3000)
    kit.put_authority(home, authority)
    kit.put(home, kit.make("depot", authority, hosts=HOSTS))
    kit.put(home, kit.make("depot", authority, hosts=HOSTS[:1]), name="server-next")
    text = "the prepared one does not cover 127.0.0.1"
    assert unsound(home) == [("caution", "certificate", text)]


def test_prepared_files_that_are_no_pair_are_a_caution(home: Path) -> None:
    kit.put(home, kit.make("a", hosts=HOSTS), keys=(kit.make("b"),), name="server-next")
    text = "the prepared certificate and key, server-next.pem and server-next.key, are no pair"
    assert unsound(home) == [("caution", "certificate", text)]


def test_a_change_that_was_cut_off_between_its_files_counts_as_done(home: Path) -> None:
    authority = kit.make("Depot authority", days=3000)
    kit.put_authority(home, authority)
    kit.put(home, kit.make("depot", authority, days=500, hosts=HOSTS), name="server-next")
    (home / "tls" / "server-next.key").rename(home / "tls" / "server.key")
    (found,) = _certificate(home, now=NOW)
    assert (found.grade.value, found.text.partition(",")[0]) == ("fine", "good for 500 days")


def test_an_ended_certificate_and_authority_are_one_fault_whose_cause_is_the_authority(
    home: Path,
) -> None:
    (found,) = [one for one in findings(home, now=time.time() + 5000 * DAY) if one.advice]
    assert (found.grade.value, found.topic) == ("fault", "certificate")
    assert found.text.startswith("ended on ")
    assert found.advice.startswith("depotserve cert authority new")


def test_a_clock_that_is_behind_both_is_one_fault_whose_cause_is_the_clock(home: Path) -> None:
    (found,) = [one for one in findings(home, now=0.0) if one.advice]
    assert (found.grade.value, found.topic) == ("fault", "certificate")
    assert found.advice.startswith("set this machine's clock")


@pytest.mark.parametrize("days", [-20_000, 5000])
def test_by_a_clock_that_is_at_fault_no_certificate_is_judged(home: Path, days: int) -> None:
    scene = scene_of(Home(home), max(0.0, time.time() + days * DAY))
    scene.at_fault.add("clock")
    found = [*certificate.look(scene), *authority.look(scene)]
    assert [one.topic for one in found] == ["certificate", "authority"]
    for one in found:
        assert one.grade is Grade.FINE
        assert one.text.endswith("; by a clock that is not to be trusted")


def test_an_authority_that_ends_within_a_certificates_life_is_a_caution(home: Path) -> None:
    authority = kit.make("Depot authority", days=800)
    kit.put_authority(home, authority)
    kit.put(home, kit.make("depot", authority, hosts=HOSTS))
    ((grade, topic, text),) = unsound(home, now=NOW)
    assert (grade, topic) == ("caution", "authority")
    assert text.startswith(f"good for 800 days, until {_until(800)}; its key is here, without")
    (found,) = [one for one in findings(home, now=NOW) if one.advice]
    assert found.advice == "depotserve cert authority new"


def test_an_authority_whose_follower_is_there_asks_for_nothing(home: Path) -> None:
    authority, following = (kit.make(name, days=800) for name in ("Depot", "Depot next"))
    kit.put_authority(home, authority)
    kit.put(home, kit.make("depot", authority, hosts=HOSTS))
    (home / "tls" / "authority-next.pem").write_bytes(following.pem)
    assert unsound(home) == []


def test_an_authority_that_ended_alone_is_a_fault_of_its_own(home: Path) -> None:
    authority = kit.make("Depot authority", days=-1)
    kit.put_authority(home, authority)
    kit.put(home, kit.make("depot", authority, days=300, hosts=HOSTS))
    ((grade, topic, text),) = unsound(home, now=NOW)
    assert (grade, topic, text) == ("fault", "authority", f"ended on {_until(-1)}")


def _authority_line(home: Path) -> str:
    (line,) = [text for _, topic, text in rows(findings(home)) if topic == "authority"]
    return line.partition("; ")[2]


def test_where_the_authoritys_key_is_and_whether_it_is_encrypted_is_information(
    home: Path,
) -> None:
    key = home / "tls" / "authority.key"
    assert _authority_line(home) == "its key is here, without a passphrase"
    key.write_bytes(kit.make("x").key_under(b"word"))
    assert _authority_line(home) == "its key is here, under a passphrase"
    key.unlink()
    assert _authority_line(home) == "its key is kept elsewhere"
    assert unsound(home) == []


def test_renewal_by_itself_without_the_key_at_hand_is_a_caution(home: Path) -> None:
    harness.change_settings(home, tls={"renew": "auto"})
    assert unsound(home) == []
    (home / "tls" / "authority.key").unlink()
    text = "tls.renew is auto, and its key is kept elsewhere: nothing is renewed by itself"
    assert unsound(home) == [("caution", "authority", text)]


def test_an_authoritys_key_that_is_another_s_is_a_fault(home: Path) -> None:
    (home / "tls" / "authority.key").write_bytes(kit.make("other").key_pem)
    text = "authority.pem: does not belong to the key in authority.key: it can issue nothing"
    assert unsound(home) == [("fault", "authority", text)]


def test_a_damaged_authority_is_one_fault(home: Path) -> None:
    (home / "tls" / "authority.pem").write_bytes(b"x")
    found = [row for row in unsound(home) if row[0] == "fault"]
    assert found == [
        ("fault", "authority", "authority.pem: holds no certificate; PEM text is needed")
    ]


def _on_all(home: Path) -> None:
    harness.change_settings(home, listeners=[{"address": "0.0.0.0", "port": 0}])  # noqa: S104


def test_a_certificate_for_this_machine_alone_on_a_listener_for_others_is_a_caution(
    home: Path,
) -> None:
    _on_all(home)
    others = [name for name in tls.local_names() if name not in ("localhost", "127.0.0.1", "::1")]
    if not others:
        pytest.skip("this machine has no name or address but its own loopback")
    ((grade, topic, text),) = unsound(home)
    assert (grade, topic) == ("caution", "certificate")
    assert text.startswith("it is for this machine's own clients alone, and others come by ")


def test_names_and_addresses_of_this_machine_that_are_not_covered_are_information(
    home: Path,
) -> None:
    _on_all(home)
    authority = kit.make("Depot authority", days=3000)
    kit.put_authority(home, authority)
    names = ("depot.plant.example", *tls.local_names())
    kit.put(home, kit.make("depot", authority, hosts=names))
    assert len(_certificate(home)) == 1
    kit.put(home, kit.make("depot", authority, hosts=names[:1]))
    assert unsound(home) == []
    texts = [one.text for one in _certificate(home)]
    if set(names[1:]) - {"localhost", "127.0.0.1", "::1"}:
        assert texts[1].endswith(" refuse it: it does not cover that")
