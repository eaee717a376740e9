from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import click
import harness
import pytest

import depotserve
from depotserve import cli
from depotserve.errors import CallerError, ContentError, SurroundingsError

COMMANDS = ["init", "serve", "inspect", "user", "demo"]


def test_every_command_says_what_it_is_for() -> None:
    printed = harness.succeed("--help").decode()
    for name in COMMANDS:
        assert f"\n  {name} " in printed
        assert harness.succeed(name, "-h").startswith(f"Usage: depotserve {name}".encode())


def test_the_version_is_the_packages() -> None:
    assert depotserve.__version__ in harness.succeed("--version").decode()


@pytest.mark.skipif(not harness.IN_CI, reason="a person may test the source tree as it stands")
def test_in_ci_the_installed_package_is_what_is_tested() -> None:
    source = Path(__file__).parent.parent / "depotserve"
    assert not Path(depotserve.__file__).is_relative_to(source)


MISUSE = {
    (): "Missing command. (depotserve -h says more)",
    ("user",): "Missing command. (depotserve user -h says more)",
    ("sell",): "No such command 'sell'. (depotserve -h says more)",
    ("serve", "--port", "1"): "No such option '--port'",
    ("serve", "--workers", "0"): "Invalid value for '--workers': 0 is not in the range",
    ("serve", "extra"): "Got unexpected extra argument (extra)",
}


@pytest.mark.parametrize("arguments", MISUSE, ids=" ".join)
def test_misuse_is_one_line_and_status_2(arguments: tuple[str, ...]) -> None:
    done = harness.run(*arguments)
    assert done.returncode == 2
    assert done.stdout == b""
    said = done.stderr.decode()
    # Wording of option errors is the library's and differs in its quotes over time.
    assert said.replace("option: --port", "option '--port'").startswith(
        f"depotserve: {MISUSE[arguments]}"
    )
    assert said.count("\n") == 1


def _ended(monkeypatch: pytest.MonkeyPatch, error: BaseException) -> int:
    """Run a command that raises; give its exit status."""

    @click.command()
    def fail() -> None:
        raise error

    monkeypatch.setitem(cli.main.commands, "fail", fail)
    with pytest.raises(SystemExit) as caught:
        cli.run(["fail"])
    assert isinstance(caught.value.code, int)
    return caught.value.code


ERRORS = [
    (CallerError("is wrong", where="depot.yaml:3", allowed="right"), 2,
     "depotserve: depot.yaml:3: is wrong; right\n"),
    (SurroundingsError("Permission denied", where="/srv/x"), 2,
     "depotserve: /srv/x: Permission denied\n"),
    (ContentError("is damaged"), 1, "depotserve: is damaged\n"),
    (PermissionError(13, "Permission denied", "/srv/x"), 2,
     "depotserve: /srv/x: Permission denied\n"),
    (OSError(28, "No space left on device"), 2, "depotserve: No space left on device\n"),
    (TimeoutError(), 2, "depotserve: TimeoutError\n"),
    (KeyboardInterrupt(), 130, "\ndepotserve: interrupted\n"),
]  # fmt: skip


@pytest.mark.parametrize(("error", "status", "said"), ERRORS, ids=lambda value: repr(value)[:40])
def test_each_kind_of_error_is_one_line_with_its_status(
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
    error: BaseException,
    status: int,
    said: str,
) -> None:
    assert _ended(monkeypatch, error) == status
    assert capfd.readouterr() == ("", said)


def test_an_unforeseen_error_is_one_line_that_quotes_no_secret(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    assert _ended(monkeypatch, ValueError("the passphrase s3cret")) == 2
    said = capfd.readouterr().err
    assert said.startswith("depotserve: a fault of depotserve itself: ValueError at test_cli.py:")
    assert said.count("\n") == 1
    assert "s3cret" not in said


def test_a_reader_that_goes_away_ends_a_command_quietly() -> None:
    process = subprocess.Popen(
        harness.command("--help"),
        env={**harness.environment(), "PYTHONUNBUFFERED": "1"},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    assert process.stdout is not None
    process.stdout.close()
    _, said = process.communicate(timeout=60)
    assert said == b""
    assert process.returncode != 0


def test_the_module_and_the_script_are_the_same_program() -> None:
    script = Path(sys.executable).parent / "depotserve"
    if not script.exists():
        harness.missing("the package is not installed beside this interpreter")
    said = subprocess.run([script, "--version"], capture_output=True, check=True).stdout
    assert said == harness.succeed("--version")
