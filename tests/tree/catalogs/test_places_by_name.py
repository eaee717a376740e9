"""Where a file lies that a list names by a server's address: learnt from others, within bounds."""

from __future__ import annotations

import itertools

from depotserve.tree.expectations.by_name import ByName
from depotserve.tree.expectations.listed import Listed


def named(paths: list[bytes]) -> ByName:
    names = {path.rpartition(b"/")[2]: [path] for path in paths}
    return ByName(lambda name: names.get(name, []), paths.__contains__)


def test_a_missing_file_has_the_place_that_the_others_tell() -> None:
    there = [b"pumps/%03d.bin" % number for number in range(20)]
    find = named(there[1:])
    listed = [Listed(b"releases/4.2/" + path, 0, None, ()) for path in there]
    assert [find(item.path) for item in find.learnt(listed)] == there


def test_of_a_list_of_any_length_few_items_are_held() -> None:
    there = [b"pumps/%03d.bin" % number for number in range(20)]
    find, given = named(there), itertools.count()

    def items() -> itertools.chain[Listed]:
        endless = (b"releases/4.2/pumps/%09d.bin" % number for number in given)
        paths = itertools.chain((b"releases/4.2/" + path for path in there), endless)
        return itertools.chain.from_iterable([Listed(path, 0, None, ())] for path in paths)

    learnt = find.learnt(items())
    assert next(given) < 10_000
    last = next(itertools.islice(learnt, 50_000, None))
    assert find(last.path) == last.path[len(b"releases/4.2/") :]
