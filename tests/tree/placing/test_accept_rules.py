"""accept.yaml: what a rule fits, what it may not say, and what becomes of a check with it."""

from __future__ import annotations

import datetime as dt
import json
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import harness
import pytest
import yaml
from placing_kit import PUMP, VALVE, fill, sums

from depotserve.errors import CallerError
from depotserve.tree.acceptance import load_rules
from depotserve.tree.finding import Kind

if TYPE_CHECKING:
    from depotserve.tree.acceptance import Rule

SAMPLE = Path(__file__).parents[3] / "conf" / "accept.yaml"
# Some day, on which rules are read here without a command; what runs a command needs its own.
TODAY = dt.date(2026, 11, 26)
SOON = (dt.datetime.now(tz=dt.timezone.utc).date() + dt.timedelta(days=30)).isoformat()
RULE = {
    "finding": "missing",
    "path": "manuals/*.pdf",
    "reason": "on paper in the control room",
    "by": "ann",
    "until": SOON,
}


def write(folder: Path, *rules: dict[str, Any]) -> Path:
    """Write a file of rules, each like RULE but for what is given; None leaves a key out."""
    whole = [
        {key: value for key, value in {**RULE, **one}.items() if value is not None} for one in rules
    ]
    file = folder / "accept.yaml"
    file.write_text(yaml.safe_dump({"format": 1, "accept": whole}, sort_keys=False))
    return file


def rule(folder: Path, **changes: Any) -> Rule:
    """Read one rule."""
    (found,) = load_rules(write(folder, {"until": "2027-03-31", **changes}), TODAY)
    return found


def refusal(folder: Path, text: str) -> str:
    """Give the line by which a file of rules is refused."""
    file = folder / "accept.yaml"
    file.write_text(text)
    with pytest.raises(CallerError) as caught:
        load_rules(file, TODAY)
    return str(caught.value).replace(f"{file}:", "")


# What a rule fits.


@pytest.mark.parametrize(
    ("pattern", "fits", "others"),
    [
        ("a/b.iso", [b"a/b.iso"], [b"a/b.isox", b"x/a/b.iso", b"a/B.iso", b"b.iso"]),
        ("*.pdf", [b"x.pdf", b"a/b/x.pdf", b"a\n/x.pdf", b"\xff.pdf"], [b"x.PDF", b"x.pdf.part"]),
        ("a/*", [b"a/b", b"a/b/c"], [b"a", b"b/a/c"]),
        ("a?c", [b"abc", b"a/c", b"a\xe9c", b"a\nc"], [b"ac", b"abbc"]),
        ("v[12].bin", [b"v1.bin"], [b"v3.bin", b"v[12].bin"]),
        ("v[!1].bin", [b"v2.bin"], [b"v1.bin"]),
        ("v[[]1].bin", [b"v[1].bin"], [b"v1.bin"]),
        ("what[?]", [b"what?"], [b"whats"]),
        (" edge ", [b" edge "], [b"edge"]),
        ("back\\slash", [b"back\\slash"], [b"backslash"]),
        ("caf\u00e9", ["caf\u00e9".encode()], ["cafe\u0301".encode(), b"caf\xe9"]),
    ],
)
def test_a_pattern_fits_the_whole_path(
    tmp_path: Path, pattern: str, fits: list[bytes], others: list[bytes]
) -> None:
    found = rule(tmp_path, path=pattern)
    assert [path for path in fits if not found.fits(path, None)] == []
    assert [path for path in others if found.fits(path, None)] == []


def test_a_name_is_written_in_quotes_as_the_report_shows_it(tmp_path: Path) -> None:
    file = tmp_path / "accept.yaml"
    ends = "reason: r, by: ann, until: 2027-03-31"
    file.write_text(
        "format: 1\naccept:\n"
        f'  - {{finding: missing, path: "caf\\udce9", {ends}}}\n'
        f'  - {{finding: missing, path: "two\\nlines\\x1b", {ends}}}\n'
        f'  - {{finding: missing, path: "back\\\\slash", {ends}}}\n'
    )
    byte, lines, slash = load_rules(file, TODAY)
    assert byte.fits(b"caf\xe9", None)
    assert not byte.fits("caf\u00e9".encode(), None)
    assert lines.fits(b"two\nlines\x1b", None)
    assert slash.fits(b"back\\slash", None)


@pytest.mark.parametrize(
    ("stated", "size", "fits"),
    [
        (None, 7, True),
        (None, None, True),
        (7, 7, True),
        (7, 8, False),
        (7, None, False),
        (0, 0, True),
    ],
)
def test_a_size_has_to_be_met_exactly(
    tmp_path: Path, stated: int | None, size: int | None, fits: bool
) -> None:
    assert rule(tmp_path, finding="unfinished", path="a", size=stated).fits(b"a", size) is fits


def test_a_rule_counts_to_the_end_of_its_last_day(tmp_path: Path) -> None:
    found = rule(tmp_path, until="2027-03-31")
    assert not found.is_over(dt.date(2027, 3, 31))
    assert found.is_over(dt.date(2027, 4, 1))


def test_a_rule_ends_within_a_year_and_a_day(tmp_path: Path) -> None:
    assert rule(tmp_path, until="2027-11-27").until == dt.date(2027, 11, 27)
    assert rule(tmp_path, until="2001-01-01").is_over(TODAY)
    with pytest.raises(CallerError) as caught:
        rule(tmp_path, until="2027-11-28")
    assert str(caught.value) == (
        f"{tmp_path}/accept.yaml:7: accept.until: 2027-11-28 is more than 366 days ahead, "
        "allowed is 2027-11-27 at most"
    )


def test_a_check_refuses_a_rule_without_an_end_in_sight(tmp_path: Path) -> None:
    file, tree = write(tmp_path, {"until": "2999-12-31"}), fill(tmp_path / "tree", {})
    for command in (["check"], ["scan", "--command", "true {file}"]):
        done = harness.run("tree", *command, tree, "--state", tmp_path / "state", "--accept", file)
        assert (done.returncode, done.stdout) == (2, b"")
        assert b"accept.until: 2999-12-31 is more than 366 days ahead" in done.stderr
        assert done.stderr.count(b"\n") == 1


def test_every_kind_of_fault_can_be_named_and_nothing_else(tmp_path: Path) -> None:
    for kind in Kind:
        size = 7 if kind is Kind.INFECTED else None
        if kind.is_fault:
            assert rule(tmp_path, finding=kind.word, path="a", size=size).kind is kind
        else:
            with pytest.raises(CallerError):
                rule(tmp_path, finding=kind.word, path="a")


def test_what_is_infected_is_accepted_by_exact_path_and_size_alone(tmp_path: Path) -> None:
    found = rule(tmp_path, finding="infected", path="tools/probe[[]1].exe", size=7)
    assert found.fits(b"tools/probe[1].exe", 7)
    assert not found.fits(b"tools/probe[1].exe", 8)
    for path, size in (("*.exe", 7), ("probe?.exe", 7), ("[a-z].exe", 7), ("probe.exe", None)):
        with pytest.raises(CallerError) as caught:
            rule(tmp_path, finding="infected", path=path, size=size)
        assert "'infected' is accepted" in str(caught.value)


# What it may not say.

GOOD = "finding: missing, path: a, reason: r, by: ann, until: 2027-01-31"


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("", "1: is empty, format and content are needed"),
        ("format: 1\n", "1: has no list `accept`, allowed is a list of rules"),
        ("format: 2\naccept: []\n", "1: format: the format is not known, allowed is format: 1"),
        ("accept: []\n", "1: the format is not known, allowed is format: 1"),
        ("format: 1\naccept: all\n", "1: has no list `accept`, allowed is a list of rules"),
        (
            "format: 1\nall: true\naccept: []\n",
            "2: all: is no key of a rule, allowed are format, accept",
        ),
        ("- x\n", "1: holds no keys, allowed are lines of `key: value`"),
        (
            "format: 1\naccept:\n  - missing\n",
            "3: accept: holds no keys, allowed are lines of `key: value`",
        ),
        (f"format: 1\naccept: [{{{GOOD}]\n", "no valid YAML"),
        (f"format: 1\naccept: [{{{GOOD}, by: bob}}]\n", "is set twice"),
    ],
)
def test_a_file_that_is_no_list_of_rules_is_refused(tmp_path: Path, text: str, line: str) -> None:
    assert line in refusal(tmp_path, text)


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("finding", None, "has no finding, each rule has"),
        ("path", None, "has no path, each rule has"),
        ("reason", None, "has no reason, each rule has"),
        ("by", None, "has no by, each rule has"),
        ("until", None, "has no until, each rule has"),
        ("finding", "all", "finding: 'all' is unknown, allowed are infected, missing,"),
        ("finding", "Missing", "finding: 'Missing' is unknown"),
        ("finding", "in no list", "finding: 'in no list' is unknown"),
        ("finding", "nothing vouches", "finding: 'nothing vouches' is unknown"),
        ("finding", "[missing]", "finding: is empty"),
        ("reason", "''", "reason: is empty, allowed is a text"),
        ("reason", '"  "', "reason: is empty"),
        ("by", "", "by: is empty"),
        ("path", "'*'", "path: '*' fits everything"),
        ("path", "'**/*.*'", "fits everything"),
        ("path", "'?*'", "fits everything"),
        ("path", "'[!a]*'", "fits everything"),
        ("path", "'[a-z0-9]*'", "fits everything"),
        ("path", "/a", "path: '/a' fits nothing, allowed is a path from the tree's root on"),
        ("path", "./a", "fits nothing"),
        ("size", "-1", "size: '-1' is no size, allowed is a number of bytes"),
        ("size", "1 MiB", "is no size"),
        ("size", "1" * 5000, "is no size"),
        ("size", "\u0664", "is no size"),
        ("size", "true", "is no size"),
        ("size", "7", "size: fits nothing, what is missing has no size"),
        ("until", "never", "until: 'never' is no day, allowed is a date such as 2027-03-31"),
        ("until", "2027-02-30", "is no day"),
        ("until", "2027-1-1", "is no day"),
        ("until", "20270101", "is no day"),
        ("until", "2027-03-31T10:00:00", "is no day"),
        ("until", "2999-12-31", "until: 2999-12-31 is more than 366 days ahead"),
        ("pth", "x", "pth: is no key of a rule, did you mean path?"),
        ("unless", "x", "unless: is no key of a rule, allowed are finding, path, reason, by,"),
    ],
)
def test_a_fault_of_a_rule_names_its_line_and_key(
    tmp_path: Path, key: str, value: str | None, words: str
) -> None:
    lines = dict(one.split(": ", 1) for one in GOOD.split(", "))
    lines[key] = value  # type: ignore[assignment]  # None leaves it out
    body = "\n    ".join(f"{name}: {one}" for name, one in lines.items() if one is not None)
    said = refusal(tmp_path, f"format: 1\naccept:\n  - {GOOD_FLOW}\n  - {body}\n")
    number = list(lines).index(key) if value is not None else 0
    assert said.startswith(f"{4 + number}: accept"), said
    assert words in said
    assert len(said.splitlines()) == 1


GOOD_FLOW = f"{{{GOOD}}}"


def test_a_file_too_long_or_none_at_all_is_refused(tmp_path: Path) -> None:
    assert "longer than" in refusal(tmp_path, "#" * (1024 * 1024 + 1))
    done = harness.run("tree", "check", tmp_path, "--accept", tmp_path / "nowhere")
    assert done.returncode == 2
    assert done.stderr.decode() == f"depotserve: {tmp_path}/nowhere: no such file\n"


def test_the_sample_is_read_and_accepts_nothing_and_its_example_is_right(tmp_path: Path) -> None:
    assert load_rules(SAMPLE, TODAY) == ()
    text = SAMPLE.read_text()
    _, _, example = text.partition("# For example:\n")
    lines = [line[4:] for line in example.splitlines() if line.startswith("#   ")]
    file = tmp_path / "accept.yaml"
    file.write_text("format: 1\naccept:\n" + "\n".join(f"  {line}" for line in lines) + "\n")
    first, second = load_rules(file, TODAY)
    assert first.fits(b"gateway/manuals/start.pdf", None)
    assert second.fits(b"intake/pump-07.cfg", 2048)


# A check with rules.


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """Make a tree that lacks two files, and of which one differs."""
    listed = {"manuals/a.pdf": b"a", "manuals/b.pdf": b"b", "pump.cfg": PUMP, "valve.tab": VALVE}
    files = {"SHA256SUMS": sums(listed), "pump.cfg": PUMP[::-1], "valve.tab": VALVE}
    return fill(tmp_path / "tree", files)


def check(root: Path, *options: str | Path) -> tuple[int, dict[str, Any]]:
    """Check a tree and give status and document."""
    state = root.parent / "state"
    done = harness.run("tree", "check", root, "--state", state, "--json", *options)
    assert done.returncode in (0, 1), done.stderr
    return done.returncode, json.loads(done.stdout)


def report(root: Path, *options: str | Path) -> str:
    """Check a tree and give the report for a person."""
    return harness.run(
        "tree", "check", root, "--state", root.parent / "state", *options
    ).stdout.decode()


DIFFERS = {"finding": "digest differs", "path": "pump.cfg", "reason": "changed on purpose"}


def test_what_is_accepted_stays_in_the_report_with_its_rule(root: Path, tmp_path: Path) -> None:
    assert check(root)[0] == 1
    rules = write(tmp_path, {}, {**DIFFERS, "size": len(PUMP)})
    status, document = check(root, "--accept", rules)
    assert status == 0
    assert document["faults"] == 0
    by_rule = {one["path"]: one["accepted_by_rule"] for one in document["findings"] if one["fault"]}
    assert by_rule == {"manuals/a.pdf": 1, "manuals/b.pdf": 1, "pump.cfg": 2}
    assert [(one["accepted"], one["over"]) for one in document["rules"]] == [(2, False), (1, False)]
    assert document["rules"][1] == {
        **{key: {**RULE, **DIFFERS}[key] for key in RULE},
        "size": len(PUMP),
        "accepted": 1,
        "over": False,
    }
    assert document["to_do"] == []
    text = report(root, "--accept", rules)
    assert "Missing: 2, of which accepted: 2\n" in text
    assert "  manuals/a.pdf  by SHA256SUMS:1  (accepted by rule 1)\n" in text
    assert (
        f"rule 2 (digest differs, pump.cfg) accepted 1 until {SOON}: changed on purpose (ann)\n"
    ) in text
    assert text.endswith("\nNo fault was found but what rules accept: 3.\n")


def test_a_file_that_no_longer_has_the_size_of_the_rule_is_a_fault(
    root: Path, tmp_path: Path
) -> None:
    listed = sums({"pump.cfg": PUMP, "valve.tab": VALVE})
    (root / "SHA256SUMS").write_bytes(listed)
    rules = write(tmp_path, {**DIFFERS, "size": len(PUMP)})
    assert check(root, "--accept", rules)[0] == 0
    (root / "pump.cfg").write_bytes(PUMP[::-1] + b"x")
    status, document = check(root, "--accept", rules)
    assert (status, document["faults"]) == (1, 1)


def test_a_rule_whose_time_is_over_counts_for_nothing_and_is_reported(
    root: Path, tmp_path: Path
) -> None:
    yesterday = dt.datetime.now(tz=dt.timezone.utc).date() - dt.timedelta(days=1)
    rules = write(tmp_path, {"until": yesterday.isoformat()}, DIFFERS)
    status, document = check(root, "--accept", rules)
    assert (status, document["faults"]) == (1, 2)
    assert [(one["accepted"], one["over"]) for one in document["rules"]] == [(0, True), (1, False)]
    assert (
        f"rule 1 (missing, manuals/*.pdf) accepts nothing since its last day, {yesterday}, is over"
        in report(root, "--accept", rules)
    )


def test_a_rule_that_fits_nothing_is_reported(root: Path, tmp_path: Path) -> None:
    rules = write(tmp_path, {}, DIFFERS, {"path": "manuals/a.pdf"}, {"path": "other"})
    text = report(root, "--accept", rules)
    # What the first accepted, the third does not accept again.
    assert "rule 3 (missing, manuals/a.pdf) fits no finding, and can go: " in text
    assert "rule 4 (missing, other) fits no finding, and can go: " in text


def test_no_rule_makes_up_for_a_tree_that_nothing_vouches_for(tmp_path: Path) -> None:
    root = fill(tmp_path / "tree", {"a.bin": PUMP, "b.iso.part": VALVE})
    rules = write(tmp_path, {"finding": "unfinished", "path": "b.iso.part"})
    status, document = check(root, "--accept", rules)
    assert (status, document["faults"]) == (1, 0)
    assert "Nothing vouches for these files" in report(root, "--accept", rules)


def test_a_line_of_a_list_is_accepted_by_the_lists_path(root: Path, tmp_path: Path) -> None:
    with (root / "SHA256SUMS").open("ab") as stream:
        stream.write(b"this is no line\n")
    line = {"finding": "unreadable line of a list", "path": "SHA256SUMS", "reason": "a remark"}
    assert check(root, "--accept", write(tmp_path, {}, DIFFERS))[0] == 1
    assert check(root, "--accept", write(tmp_path, {}, DIFFERS, line))[0] == 0


def test_names_of_any_bytes_are_accepted_as_the_report_shows_them(tmp_path: Path) -> None:
    root = fill(tmp_path / "tree", {"a": b"a"})
    name = b"caf\xe9\x1b.pdf"
    (root / "SHA256SUMS").write_bytes(sums({"a": b"a", name: b"gone"}))
    shown = next(
        line.split("  ")[1] for line in report(root).splitlines() if line.startswith("  caf")
    )
    assert shown == "caf\\udce9\\x1b.pdf"
    file = tmp_path / "accept.yaml"
    ends = f"reason: r, by: ann, until: {SOON}"
    file.write_text(f'format: 1\naccept: [{{finding: missing, path: "{shown}", {ends}}}]\n')
    status, document = check(root, "--accept", file)
    assert (status, document["rules"][0]["accepted"]) == (0, 1)
    assert os.fsencode(document["rules"][0]["path"]) == name
