"""The benchmark: `python tests/bench`. It asserts nothing about time; it prints and writes down.

See its `--help`. What is measured is the depotserve that this Python imports.
"""

from __future__ import annotations

import argparse
import contextlib
import importlib.util
import os
import resource
import shutil
import signal
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import machine
from content import GIB
from lines import LINES, NOT_IN_QUICK
from report import show_case, show_table, write_json
from stage import Stage, progress

if TYPE_CHECKING:
    from figures import Case

_RESULTS = Path(__file__).parent / "results"
_ROUNDS, _QUICK_ROUNDS = 5, 1
_PACKAGES = ("depotserve", "starlette", "uvicorn")
_NEED, _QUICK_NEED = 10 * GIB, 3 * GIB  # of disk


def main() -> int:
    """Run the lines that were asked for; give the exit status."""
    given = _arguments()
    for one in (signal.SIGINT, signal.SIGTERM):
        signal.signal(one, _interrupt)
    if fault := _fault(given):
        sys.stderr.write(f"bench: {fault}\n")
        return 2
    _, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))
    begun = time.monotonic()
    cases: list[Case] = []
    status = 0
    with tempfile.TemporaryDirectory(prefix="depotserve-bench-", dir=given.work) as work:
        about = {
            "date": time.strftime("%Y-%m-%d", time.gmtime()),
            "rounds": given.rounds,
            "quick": given.quick,
            "machine": machine.describe(Path(work)),
        }
        try:
            status = _run(given, Path(work), cases)
        except KeyboardInterrupt:
            progress("bench: interrupted; what was measured is written down")
            status = 130
        finally:
            seconds = round(time.monotonic() - begun)
            write_json(given.out, {**about, "seconds": seconds}, cases)
    sys.stdout.write(f"\n{show_table(cases)}\n")
    return status


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="bench",
        description="Measure depotserve and its references, in alternation. Needs 10 GiB of disk "
        "(--quick: 3), wrk, and the packages of the extra `bench`.",
    )
    parser.add_argument("--quick", action="store_true", help="one short round, some two minutes")
    parser.add_argument("--only", type=int, nargs="+", metavar="LINE", choices=LINES)
    parser.add_argument("--rounds", type=_count, metavar="N", help="default: 5; quick: 1")
    parser.add_argument("--work", type=Path, metavar="DIR", help="where to make the content")
    parser.add_argument("--out", type=Path, metavar="FILE", help="where to write the JSON")
    given = parser.parse_args()
    given.rounds = given.rounds or (_QUICK_ROUNDS if given.quick else _ROUNDS)
    given.work = given.work or Path(tempfile.gettempdir())
    name = "quick" if given.quick else "part" if given.only else "full"
    given.out = given.out or _RESULTS / f"{name}.json"
    given.only = given.only or [one for one in LINES if not given.quick or one not in NOT_IN_QUICK]
    return given


def _count(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r} is no number from 1 on")
    return int(text)


def _interrupt(_signal: int, _frame: object) -> NoReturn:
    # Once is enough: the servers are to be ended in peace.
    for one in (signal.SIGINT, signal.SIGTERM):
        signal.signal(one, signal.SIG_IGN)
    raise KeyboardInterrupt


def _fault(given: argparse.Namespace) -> str | None:
    """Say in one line what this machine lacks."""
    need = _QUICK_NEED if given.quick else _NEED
    if not os.access(given.work, os.W_OK | os.X_OK):
        return f"{given.work} is no folder to write in"
    if shutil.disk_usage(given.work).free < need:
        return f"{given.work} has less than {need // GIB} GiB free; name another with --work"
    if shutil.which("wrk") is None:
        return "wrk is not installed (Debian's package of that name)"
    missing = [name for name in _PACKAGES if importlib.util.find_spec(name) is None]
    if missing:
        return f"this Python has no {', '.join(missing)} (pip install 'depotserve[bench]')"
    return None


def _run(given: argparse.Namespace, work: Path, cases: list[Case]) -> int:
    """Run all lines, adding to `cases`; give 1 if one of them could not be measured, else 0."""
    status, begun = 0, time.monotonic()
    with contextlib.ExitStack() as exits:
        stage = Stage(work, given.rounds, given.quick, exits)
        for number in given.only:
            progress(f"-- line {number}, after {time.monotonic() - begun:.0f} s")
            try:
                for line in LINES[number]:
                    for case in line(stage):
                        cases.append(case)
                        sys.stdout.write(f"{show_case(case)}\n")
                        sys.stdout.flush()
            except (RuntimeError, OSError, EOFError) as error:
                status = 1
                progress(f"bench: line {number} could not be measured: {error!r}")
    return status


if __name__ == "__main__":
    sys.exit(main())
