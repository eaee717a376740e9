"""Real clients, each with the file that `cert trust` wrote for it and with all its checks on.

Every depot here is open to all, so that what a client gets hangs on trust alone.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path
from typing import TYPE_CHECKING

import harness
import peer
import pytest
import trusting
from browsing import browsing

if TYPE_CHECKING:
    from collections.abc import Iterator

    from trusting import Plant

pytestmark = pytest.mark.slow
each_client = pytest.mark.parametrize("name", list(trusting.EVERY))
# By a name, and by an IP address, which RFC 9525 section 6.4 wants in a field of its own.
each_host = pytest.mark.parametrize("host", ["localhost", "127.0.0.1"])


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Plant]:
    with trusting.plant_in(tmp_path_factory.mktemp("plant")) as running:
        yield running


def url(depot: harness.RunningDepot, host: str, name: str = "intake.bin") -> str:
    ports = {each.address: each.port for each in depot.endpoints}
    return f"https://{host}:{ports.get(host, depot.port)}/{name}"


def got(desk: peer.Desk) -> bytes:
    """Give what a client has fetched; some make an empty file before they ask."""
    file = desk.folder / "got"
    return file.read_bytes() if file.exists() else b""


@each_host
@each_client
def test_a_client_with_its_trust_file_fetches_a_file(
    desk: peer.Desk, plant: Plant, name: str, host: str
) -> None:
    client = trusting.EVERY[name]
    file = desk.folder / "trust"
    trusting.trust(plant.depot.home, client.kind, file)
    done = client.run(desk, file, url(plant.depot, host))
    assert done.returncode == 0, done.stderr
    assert got(desk) == trusting.BODY


@each_client
def test_a_client_with_another_depots_trust_file_finds_no_path(
    desk: peer.Desk, plant: Plant, stranger: Path, name: str
) -> None:
    client = trusting.EVERY[name]
    file = desk.folder / "trust"
    trusting.trust(stranger.parent.parent, client.kind, file)
    done = client.run(desk, file, url(plant.depot, "localhost"))
    assert done.returncode != 0
    assert re.search(client.path, done.stderr), done.stderr
    assert got(desk) == b""


@each_client
def test_a_client_that_trusts_the_depot_still_checks_whose_certificate_it_is(
    desk: peer.Desk, plant: Plant, name: str
) -> None:
    client = trusting.EVERY[name]
    file = desk.folder / "trust"
    trusting.trust(plant.depot.home, client.kind, file)
    done = client.run(desk, file, url(plant.depot, trusting.OTHER_ADDRESS))
    assert done.returncode != 0
    assert re.search(client.name, done.stderr), done.stderr
    assert got(desk) == b""


@each_client
def test_while_one_authority_follows_another_a_trust_file_holds_both(
    desk: peer.Desk, plant: Plant, name: str
) -> None:
    client = trusting.EVERY[name]
    file = desk.folder / "trust"
    said = trusting.trust(plant.rolling, client.kind, file)
    assert len(said["authorities"]) == 2
    for depot in (plant.depot, plant.follower):
        (desk.folder / "got").unlink(missing_ok=True)
        done = client.run(desk, file, url(depot, "localhost"))
        assert done.returncode == 0, done.stderr
        assert got(desk) == trusting.BODY


def test_before_an_authority_follows_the_trust_file_holds_one(
    desk: peer.Desk, plant: Plant
) -> None:
    file = desk.folder / "trust"
    said = trusting.trust(plant.depot.home, "curl", file)
    assert len(said["authorities"]) == 1
    done = trusting.EVERY["curl"].run(desk, file, url(plant.follower, "localhost"))
    assert re.search(trusting.EVERY["curl"].path, done.stderr), done.stderr


@pytest.mark.parametrize("program", ["ByHttpClient.java", "ByHttpUrlConnection.java"])
def test_a_jvm_trusts_the_compatible_form_as_well(
    desk: peer.Desk, plant: Plant, program: str
) -> None:
    file = desk.folder / "trust.p12"
    trusting.trust(plant.depot.home, "java", file, "--compatible")
    words = [url(plant.depot, "localhost"), "got", desk.write("account.properties")]
    done = desk.run(*peer.java(file, trusting.CLIENTS / program, *words))
    assert done.returncode == 0, done.stderr
    assert got(desk) == trusting.BODY


def keytools() -> list[Path]:
    """Find the keytool of every JDK that this machine has."""
    found = {Path(keytool).resolve() for keytool in [shutil.which("keytool")] if keytool}
    found |= {file.resolve() for file in Path("/usr/lib/jvm").glob("*/bin/keytool")}
    return sorted(found)


# Cases, C02. What a JVM does not take as trusted is listed as "PrivateKeyEntry" or not at all.
@pytest.mark.parametrize("options", [[], ["--compatible"]], ids=["default", "compatible"])
def test_every_jdk_here_lists_each_authority_as_trusted(
    desk: peer.Desk, plant: Plant, options: list[str]
) -> None:
    harness.need("keytool")
    for number, home in enumerate((plant.depot.home, plant.rolling), 1):
        file = desk.folder / f"{number}.p12"
        said = trusting.trust(home, "java", file, *options)
        for keytool in keytools():
            listed = [keytool, "-list", "-keystore", file, "-storepass", peer.STORE_WORD]
            done = desk.run(*listed)
            assert done.returncode == 0, done.stdout
            assert done.stdout.count("trustedCertEntry") == number
            assert all(each["sha256"] in done.stdout for each in said["authorities"])


# Cases, C02: a JDK 8 before update 301 reads no PBES2, so that --compatible is there.
def test_an_old_java_8_lists_the_compatible_form_only(desk: peer.Desk, plant: Plant) -> None:
    old = [keytool for keytool in keytools() if is_before_8u301(keytool.parent / "java")]
    if not old:
        pytest.skip("no JDK 8 before update 301 is here, and Debian has none any more")
    trusting.trust(plant.depot.home, "java", desk.folder / "new.p12")
    trusting.trust(plant.depot.home, "java", desk.folder / "old.p12", "--compatible")
    listing = ["-list", "-storetype", "PKCS12", "-storepass", peer.STORE_WORD, "-keystore"]
    assert "trustedCertEntry" in desk.run(old[0], *listing, "old.p12").stdout
    assert desk.run(old[0], *listing, "new.p12").returncode != 0


def is_before_8u301(java: Path) -> bool:
    said = subprocess.run([java, "-version"], capture_output=True, text=True, check=False).stderr
    found = re.search(r'version "1\.8\.0_(\d+)', said)
    return found is not None and int(found[1]) < 301


def test_a_word_of_ones_own_opens_the_store_and_stands_nowhere(
    desk: peer.Desk, plant: Plant
) -> None:
    file, word = desk.folder / "trust.p12", desk.write("word", "intake heron 9")
    said = trusting.trust(plant.depot.home, "java", file, "--passphrase-file", word)
    assert "intake heron 9" not in str(said)
    listing = [harness.need("keytool"), "-list", "-keystore", file, "-storepass"]
    assert "trustedCertEntry" in desk.run(*listing, "intake heron 9").stdout
    assert desk.run(*listing, peer.STORE_WORD).returncode != 0


@pytest.fixture
def packages(plant: Plant, tmp_path: Path) -> None:
    """Lay one package and its index into the depot's tree; it is served at once."""
    control = tmp_path / "deb" / "DEBIAN" / "control"
    control.parent.mkdir(parents=True)
    fields = ["Package: pump-firmware", "Version: 2.4", "Architecture: all"]
    fields += ["Maintainer: control room <control@plant.example>", "Description: firmware of pumps"]
    control.write_text("".join(f"{field}\n" for field in fields))
    folder = plant.depot.home.parent / "tree" / "packages"
    build = [harness.need("dpkg-deb"), "--root-owner-group", "--build", control.parent.parent]
    subprocess.run([*build, folder / "pump.deb"], check=True, capture_output=True)
    for kind, name in (("packages", "Packages"), ("release", "Release")):
        (folder / name).unlink(missing_ok=True)
        index = [harness.need("apt-ftparchive"), kind, "."]
        shown = subprocess.run(index, cwd=folder, check=True, capture_output=True).stdout
        (folder / name).write_bytes(shown)


@pytest.mark.usefixtures("packages")
@each_host
def test_apt_with_its_trust_file_updates_and_downloads(
    desk: peer.Desk, plant: Plant, host: str
) -> None:
    file = desk.folder / "trust.pem"
    trusting.trust(plant.depot.home, "curl", file)
    env = {"APT_CONFIG": peer.apt_root(desk, url(plant.depot, host, "packages"), file)}
    updated = desk.run(harness.need("apt-get"), "update", "--error-on=any", env=env)
    assert updated.returncode == 0, updated.stderr
    done = desk.run("apt-get", "download", "pump-firmware", env=env)
    assert done.returncode == 0, done.stderr
    packages = plant.depot.home.parent / "tree" / "packages"
    assert [peer.sha256(deb) for deb in desk.folder.glob("*.deb")] == [
        peer.sha256(packages / "pump.deb")
    ]


@pytest.mark.usefixtures("packages")
def test_apt_with_another_depots_trust_file_updates_nothing(
    desk: peer.Desk, plant: Plant, stranger: Path
) -> None:
    file = desk.folder / "trust.pem"
    trusting.trust(stranger.parent.parent, "curl", file)
    env = {"APT_CONFIG": peer.apt_root(desk, url(plant.depot, "localhost", "packages"), file)}
    done = desk.run(harness.need("apt-get"), "update", "--error-on=any", env=env)
    assert done.returncode == 100, done.stderr
    assert "certificate is NOT trusted" in done.stderr + done.stdout


def see(desk: peer.Desk, address: str, name: str) -> str:
    """Open an address in a browser with this desk's lists; give its text and keep its picture."""
    with browsing(desk.folder / f"profile-{name}", env=desk.environment()) as browser:
        browser.open(address)
        browser.picture(desk.folder / f"{name}.png")
        return str(browser.ask("document.body.innerText"))


def believe(desk: peer.Desk, home: Path, *, several: bool = False) -> None:
    """Do what the printed steps say for Chromium: fill the list of this desk's user."""
    harness.need("certutil")
    said = trusting.trust(home, "firefox", desk.folder / "trust.pem")
    assert (len(said["files"]) > 1) == several
    step = next(step for step in said["install"] if "Chromium" in step["say"])
    for line in step["run"]:
        done = desk.run("sh", "-c", line)
        assert done.returncode == 0, done.stderr


@each_host
def test_a_browser_that_knows_the_authority_shows_the_pages_own_text(
    desk: peer.Desk, plant: Plant, host: str
) -> None:
    believe(desk, plant.depot.home)
    assert see(desk, url(plant.depot, host, "seen.txt"), "trusted").strip() == (
        "Intake line 2, read by a browser."
    )
    assert (desk.folder / "trusted.png").stat().st_size > 0


@pytest.mark.parametrize("knows", ["nobody", "another"])
def test_a_browser_that_does_not_know_the_authority_shows_a_warning_and_no_text_of_ours(
    desk: peer.Desk, plant: Plant, stranger: Path, knows: str
) -> None:
    if knows == "another":
        believe(desk, stranger.parent.parent)
    text = see(desk, url(plant.depot, "localhost", "seen.txt"), "refused")
    assert "ERR_CERT_AUTHORITY_INVALID" in text
    assert "Intake line 2" not in text


def test_a_browser_knows_both_authorities_while_one_follows_the_other(
    desk: peer.Desk, plant: Plant
) -> None:
    believe(desk, plant.rolling, several=True)
    for number, depot in enumerate((plant.depot, plant.follower)):
        assert "Intake line 2" in see(desk, url(depot, "localhost", "seen.txt"), str(number))
