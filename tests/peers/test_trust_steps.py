"""The steps that `cert trust` prints, typed into a shell as they stand.

What they write outside a client's own folder goes into a folder of the test instead, and `sudo`
is left away, so that this machine's own lists stay as they are.
"""

from __future__ import annotations

import json
import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import harness
import pytest
import trusting

if TYPE_CHECKING:
    import subprocess
    from collections.abc import Iterator, Mapping

    import peer
    from trusting import Plant

pytestmark = pytest.mark.slow
# The state page's own text, without a password: what every test step fetches.
ALIVE = "alive"


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Plant]:
    with trusting.plant_in(tmp_path_factory.mktemp("plant")) as running:
        yield running


def type_in(
    desk: peer.Desk,
    lines: list[str],
    env: Mapping[str, str | Path] | None = None,
    **places: str | Path,
) -> list[subprocess.CompletedProcess[str]]:
    """Type lines into a shell in the desk's folder; all must end well.

    `places` are names under which a path of this machine is replaced: etc, usr_local, ...
    """
    done = []
    for line in lines:
        command = line.replace("sudo ", "").replace("python3", sys.executable)
        for name, place in places.items():
            command = command.replace(PLACES[name], str(place))
        done.append(desk.run("sh", "-c", command, env=env))
        assert done[-1].returncode == 0, (command, done[-1].stderr)
    return done


PLACES = {
    "containers": "/etc/containers",
    "docker": "/etc/docker",
    "policies": "/etc/firefox/policies",
    "anchors": "/etc/pki/ca-trust/source/anchors",
    "local": "/usr/local/share/ca-certificates",
    "update": "update-ca-certificates",
    "profile": "PROFILE",
}


def lines_of(steps: list[dict[str, Any]], about: str = "") -> list[str]:
    """Give the commands of all steps that speak of something."""
    return [line for step in steps if about in step["say"] for line in step["run"]]


@pytest.mark.parametrize("client", ["debian", "redhat", "firefox", "python", "curl", "container"])
def test_openssl_shows_every_fingerprint_of_a_pem_file(
    desk: peer.Desk, plant: Plant, client: str
) -> None:
    said = trusting.trust(plant.rolling, client, desk.folder / "a file.pem")
    (shown,) = type_in(desk, lines_of(said["compare"]))
    prints = [line.partition("=")[2] for line in shown.stdout.splitlines()]
    assert prints == [each["sha256"] for each in said["authorities"]]


def test_the_digest_of_a_der_file_is_the_fingerprint(desk: peer.Desk, plant: Plant) -> None:
    said = trusting.trust(plant.rolling, "macos", desk.folder / "trust.cer")
    (command,) = lines_of(said["compare"])
    # Macs have Perl's shasum; coreutils' program gives the same lines.
    (shown,) = type_in(desk, [command.replace("shasum -a 256", "sha256sum")])
    digests = [line.split()[0].upper() for line in shown.stdout.splitlines()]
    assert digests == [each["sha256"].replace(":", "") for each in said["authorities"]]


def test_curl_does_what_the_steps_say(desk: peer.Desk, plant: Plant) -> None:
    said = trusting.trust(plant.depot.home, "curl", desk.folder / "trust.pem")
    done = type_in(desk, lines_of(said["test"]))
    assert [each.stdout.strip() for each in done] == [ALIVE, ALIVE]
    type_in(desk, lines_of(said["install"]))
    for url in said["urls"]:
        assert desk.run("curl", "--fail", url).stdout.strip() == ALIVE


def test_python_does_what_the_steps_say(desk: peer.Desk, plant: Plant) -> None:
    said = trusting.trust(plant.depot.home, "python", desk.folder / "trust.pem")
    done = type_in(desk, lines_of(said["test"]))
    assert [each.stdout.split() for each in done] == [["200", "200"], ["200", "200"]]
    # The variables hold in other folders too, and for all that a shell starts.
    calls = [line.partition(" ")[2] for line in lines_of(said["test"])]
    whole = "\n".join([*lines_of(said["install"]), "cd /", *calls])
    assert type_in(desk, [whole])[0].stdout.split() == ["200"] * 4


@pytest.mark.parametrize("options", [[], ["--compatible"]], ids=["default", "compatible"])
def test_java_does_what_the_steps_say(desk: peer.Desk, plant: Plant, options: list[str]) -> None:
    harness.need("javac")
    said = trusting.trust(plant.depot.home, "java", desk.folder / "my trust.p12", *options)
    (listed,) = type_in(desk, lines_of(said["compare"]))
    assert said["authorities"][0]["sha256"] in listed.stdout
    done = type_in(desk, lines_of(said["test"]))
    assert "trustedCertEntry" in done[0].stdout
    assert [line.split()[-1] for line in done[-1].stdout.splitlines()] == ["200", "200"]


def test_a_jvms_own_store_takes_the_authority_as_the_steps_say(
    desk: peer.Desk, plant: Plant
) -> None:
    said = trusting.trust(plant.rolling, "java", desk.folder / "trust.p12")
    jvm = desk.folder / "jvm"
    (jvm / "lib" / "security").mkdir(parents=True)
    own = Path(harness.need("java")).resolve().parent.parent / "lib" / "security" / "cacerts"
    store = jvm / "lib" / "security" / "cacerts"
    shutil.copyfile(own, store)
    type_in(desk, lines_of(said["install"], "every program of one JVM"), env={"JAVA_HOME": jvm})
    listed = desk.run("keytool", "-list", "-keystore", store, "-storepass", "changeit")
    assert all(each["sha256"] in listed.stdout for each in said["authorities"])
    *made, call = lines_of(said["test"], "With a JDK")
    by_own = call.replace("trustStore=trust.p12", f"trustStore={store}")
    done = type_in(desk, [*made, by_own])
    assert [line.split()[-1] for line in done[-1].stdout.splitlines()] == ["200", "200"]


def test_debians_program_takes_the_authorities_as_the_steps_say(
    desk: peer.Desk, plant: Plant
) -> None:
    harness.need("update-ca-certificates")
    said = trusting.trust(plant.rolling, "debian", desk.folder / "trust.crt")
    assert [Path(file).name for file in said["files"]] == ["trust.crt", "trust-2.crt"]
    folders = [desk.folder / name for name in ("local", "certs", "hooks", "vendor")]
    local, certs, hooks, vendor = folders
    for folder in folders:
        folder.mkdir()
    conf = desk.write("ca-certificates.conf", "# none of the machine's own")
    options = f"--localcertsdir {local} --etccertsdir {certs} --hooksdir {hooks}"
    update = f"update-ca-certificates {options} --certsdir {vendor} --certsconf {conf}"
    done = type_in(desk, lines_of(said["install"]), local=local, update=update)
    assert "2 added, 0 removed" in done[-1].stdout
    assert "WARNING" not in done[-1].stderr
    # By the bundle, and by the folder of hashed names, which other programs read.
    for way in ({"SSL_CERT_FILE": certs / "ca-certificates.crt"}, {"SSL_CERT_DIR": certs}):
        tested = type_in(desk, lines_of(said["test"]), env=way)
        assert [each.stdout.strip() for each in tested] == [ALIVE, ALIVE]
        curl = ["curl", "--silent", "--fail", f"https://localhost:{plant.follower.port}/seen.txt"]
        assert "Intake" in desk.run(*curl, env=way).stdout


def test_the_image_tools_folders_get_the_authority(desk: peer.Desk, plant: Plant) -> None:
    said = trusting.trust(plant.rolling, "container", desk.folder / "trust.pem")
    places = {name: desk.folder / name for name in ("containers", "docker")}
    type_in(desk, lines_of(said["install"]), **places)
    for folder in places.values():
        for host in ("localhost", "127.0.0.1"):
            file = folder / "certs.d" / f"{host}:{plant.depot.port}" / "ca.crt"
            url = f"https://{host}:{plant.depot.port}/_depot/health"
            assert desk.run("curl", "--fail", "--cacert", file, url).stdout.strip() == ALIVE
    assert all(each.stdout.strip() == ALIVE for each in type_in(desk, lines_of(said["test"])))


def test_firefoxes_policy_and_profile_get_both_authorities(desk: peer.Desk, plant: Plant) -> None:
    harness.need("certutil")
    said = trusting.trust(plant.rolling, "firefox", desk.folder / "trust.pem")
    policies, profile = desk.folder / "policies", desk.folder / "profile"
    type_in(desk, lines_of(said["install"], "all users"), policies=policies)
    (policy,) = json.loads((policies / "policies.json").read_text())["policies"].values()
    assert [Path(file).read_bytes() for file in policy["Install"]] == [
        Path(file).read_bytes() for file in said["files"]
    ]
    profile.mkdir()
    type_in(desk, [f"certutil -N -d sql:{profile} --empty-password"])
    type_in(desk, lines_of(said["install"], "one profile"), profile=profile)
    (listed,) = type_in(desk, [f"certutil -L -d sql:{profile}"])
    # Trusted to issue servers' certificates, for mail and for code not at all.
    assert listed.stdout.count("C,,") == 2


def test_the_anchors_of_a_red_hat_machine_are_one_file_of_pem_text(
    desk: peer.Desk, plant: Plant
) -> None:
    said = trusting.trust(plant.rolling, "redhat", desk.folder / "trust.pem")
    copy, update = lines_of(said["install"])
    (desk.folder / "anchors").mkdir()
    type_in(desk, [copy], anchors=desk.folder / "anchors")
    (file,) = (desk.folder / "anchors").iterdir()
    for depot in (plant.depot, plant.follower):
        done = trusting.EVERY["curl"].run(desk, file, f"https://localhost:{depot.port}/seen.txt")
        assert done.returncode == 0, done.stderr
    assert update == "sudo update-ca-trust extract"
