"""The rules of the code and of its papers, held to by machine."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import harness
import pytest

SOURCE = Path(__file__).parent.parent
README = (SOURCE / "README.md").read_text()


def _check(*arguments: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", *arguments],
        cwd=SOURCE,
        capture_output=True,
        check=False,
        timeout=600,
    )
    assert done.returncode == 0, (done.stdout + done.stderr).decode()


@pytest.mark.slow
def test_ruff_finds_nothing() -> None:
    _check("ruff", "check", "--no-cache", ".")
    _check("ruff", "format", "--check", "--no-cache", ".")


@pytest.mark.slow
def test_mypy_finds_nothing(tmp_path: Path) -> None:
    _check("mypy", "--cache-dir", str(tmp_path))


def _lengths() -> dict[str, int]:
    files = (SOURCE / "depotserve").rglob("*.py")
    return {str(f.relative_to(SOURCE)): len(f.read_text().splitlines()) for f in files}


def test_no_module_is_longer_than_a_person_can_hold_in_the_head() -> None:
    assert {name: lines for name, lines in _lengths().items() if lines > 500} == {}


def test_nothing_asserts_outside_tests() -> None:
    # `python -O` removes assertions, so that none may guard anything.
    found = [
        str(file)
        for file in (SOURCE / "depotserve").rglob("*.py")
        if re.search(r"^\s*assert\b", file.read_text(), re.MULTILINE)
    ]
    assert found == []


def _blocks(text: str) -> list[list[str]]:
    return [block.strip().splitlines() for block in re.findall(r"```sh\n(.*?)```", text, re.DOTALL)]


def test_the_readme_begins_with_the_job_and_then_has_exactly_two_set_up_commands() -> None:
    title, job, *_ = README.split("\n\n")
    assert title == "# depotserve"
    assert job.startswith("depotserve serves vendor software")
    set_up = README.partition("\n## ")[0]
    assert _blocks(set_up) == [["make demo", "make test"]]


def test_a_folder_of_ones_own_is_served_in_at_most_five_lines_that_work(tmp_path: Path) -> None:
    section = README.partition("\n## Serve a folder of your own\n")[2].partition("\n## ")[0]
    (lines,) = _blocks(section)
    assert len(lines) <= 5
    init, serve = lines
    (tmp_path / "vendor").mkdir()
    (tmp_path / "vendor" / "f").write_bytes(b"x")
    program = shlex.join(harness.command())
    done = subprocess.run(
        ["sh", "-c", init.replace(".venv/bin/depotserve", program)],
        env=harness.environment({"HOME": str(tmp_path)}),
        capture_output=True,
        check=False,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    assert serve == ".venv/bin/depotserve serve --home ~/depot"
    # The port that init chose may be taken on the machine that runs the tests.
    home = tmp_path / "depot"
    settings = (home / "depot.yaml").read_text()
    (home / "depot.yaml").write_text(settings.replace("port: 8443", "port: 0"))
    harness.start(home, workers=1).stop()


def test_the_caution_comes_before_everything_that_is_not_needed_to_begin() -> None:
    headings = re.findall(r"^## (.*)$", README, re.MULTILINE)
    assert headings[:2] == ["Serve a folder of your own", "Before you do"]
    caution = README.partition("\n## Before you do\n")[2].partition("\n## ")[0]
    for first in ("Change control", "licence", "security policy"):
        assert first in caution


def test_what_the_papers_point_to_is_there() -> None:
    for paper in ("README.md", "DEVELOPERS.md", "CHANGELOG.md"):
        for target in re.findall(r"\]\(([^)#]+)\)", (SOURCE / paper).read_text()):
            assert (SOURCE / target).exists(), (paper, target)


def test_every_dependency_has_its_reason_in_the_contributors_guide() -> None:
    guide = (SOURCE / "DEVELOPERS.md").read_text()
    declared = (SOURCE / "pyproject.toml").read_text().partition("[project.scripts]")[0]
    names = re.findall(r'^    "([A-Za-z-]+)', declared, re.MULTILINE)
    assert len(names) > 15
    assert [name for name in names if name not in guide] == []


def test_the_ci_script_can_be_run_and_is_sound_shell() -> None:
    script = SOURCE / ".ci" / "run"
    assert os.access(script, os.X_OK)
    subprocess.run(["sh", "-n", script], check=True)
