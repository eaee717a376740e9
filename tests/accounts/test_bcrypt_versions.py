"""The same answers with every version of bcrypt that may be installed (cases B01 and B02)."""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING

import harness
import pytest

if TYPE_CHECKING:
    from pathlib import Path

VERSIONS = ("4.0.1", "4.3.0", "5.0.0")

JUDGE = """
import asyncio, sys
from pathlib import Path
import bcrypt
sys.path.insert(0, sys.argv[2])
import account_kit as kit
assert bcrypt.__version__ == sys.argv[1], bcrypt.__file__
known = kit.load(f"ann:{kit.S3CRET}\\nbob:{kit.APR1}\\nlong:{kit.LONG}\\n")

async def judge():
    gate = kit.bench(Path("/nonexistent"), known).gate
    for name, passphrase in (
        ("ann", b"s3cret"), ("ann", b"x"), ("bob", b"s3cret"), ("bob", b"x"),
        ("long", b"a" * 72), ("long", b"a" * 73), ("long", b"a" * 100_000), ("ann", b"s3cret\\0"),
    ):
        print((await gate.check("192.0.2.1", name, passphrase)).outcome.value)
    gate.close()

asyncio.run(judge())
"""


def run(
    script: list[str], packages: Path, stdin: bytes = b""
) -> subprocess.CompletedProcess[bytes]:
    """Run Python with the packages of a folder before those installed."""
    env = harness.environment()
    env["PYTHONPATH"] = f"{packages}:{env.get('PYTHONPATH', '')}"
    return subprocess.run(
        [sys.executable, *script],
        input=stdin,
        env=env,
        capture_output=True,
        timeout=120,
        check=False,
    )


@pytest.mark.slow
@pytest.mark.parametrize("version", VERSIONS)
def test_every_version_of_bcrypt_gives_the_same_answers(tmp_path: Path, version: str) -> None:
    packages = tmp_path / "packages"
    fetch = ["-m", "pip", "install", "--quiet", "--no-deps", "--target", str(packages)]
    fetched = run([*fetch, f"bcrypt=={version}"], tmp_path)
    if fetched.returncode:
        harness.missing(f"bcrypt {version} cannot be fetched")
    here = str(harness.__file__).rsplit("/", 1)[0] + "/accounts"
    judged = run(["-W", "always", "-c", JUDGE, version, here], packages)
    assert judged.stdout.decode().split() == [
        "accepted", "refused", "accepted", "refused",
        "accepted", "refused", "refused", "refused",
    ]  # fmt: skip
    assert judged.stderr == b""

    content, home = tmp_path / "content", tmp_path / "home"
    content.mkdir()
    harness.make_home(home, content)
    harness.change_settings(home, bcrypt_cost=10)
    command = ["-W", "always", "-m", "depotserve", "user"]
    place = ["--passphrase-file", "-", "--home", str(home)]
    for passphrase, status in ((b"tidal basin heron 9", 0), (b"a" * 73, 2), (b"\xc3\xa9" * 37, 2)):
        before = (home / "accounts" / "users").read_bytes()
        added = run([*command, "add", f"user{len(passphrase)}", *place], packages, passphrase)
        assert added.returncode == status
        for noise in (b"Traceback", b"error reading bcrypt version", b"Warning"):
            assert noise not in added.stderr
        if status:
            assert b"over 72 bytes" in added.stderr
            assert (home / "accounts" / "users").read_bytes() == before
    tested = run([*command, "test", "user19", *place], packages, b"tidal basin heron 9")
    assert (tested.returncode, tested.stderr) == (0, b"")
    wrong = run([*command, "test", "user19", *place], packages, b"tidal basin heron 8")
    assert wrong.returncode == 1
