"""How a client is made to trust a depot, step by step, with the depot's own names and port."""

from __future__ import annotations

from typing import TYPE_CHECKING, Callable

import attrs

from depotserve.tls.trust import java, machines, programs
from depotserve.tls.trust.steps import Step

if TYPE_CHECKING:
    from collections.abc import Sequence

    from depotserve.tls.trust.steps import Given

__all__ = ["Directions", "direct"]

_OUT_OF_BAND = Step(
    "Who can change the file on its way can change a fingerprint that travels with it. So compare"
    " the SHA-256, all 32 pairs, by another channel: by telephone with somebody you know at the"
    " depot, or with paper from there. If one pair differs, install nothing."
)
_SEVERAL = Step(
    "There are several authorities, since one follows another: clients need all of them until the"
    " old one is retired."
)


@attrs.frozen
class Directions:
    """The way to trust in its order: compare, install, see that it holds."""

    compare: tuple[Step, ...]
    install: tuple[Step, ...]
    test: tuple[Step, ...]


def direct(client: str, given: Given) -> Directions:
    """Give the steps for one of `forms.CLIENTS`. No step turns a check off."""
    compare, install, test = _WAYS[client]
    before = (_OUT_OF_BAND, _SEVERAL) if len(given.anchors) > 1 else (_OUT_OF_BAND,)
    return Directions((*before, *compare(given)), (*install(given),), (*test(given),))


_Part = Callable[["Given"], "Sequence[Step]"]
_WAYS: dict[str, tuple[_Part, _Part, _Part]] = {
    "java": (java.compare, java.install, java.test),
    "debian": (programs.compare, machines.install_debian, machines.test_linux),
    "redhat": (programs.compare, machines.install_redhat, machines.test_linux),
    "windows": (machines.compare_windows, machines.install_windows, machines.test_windows),
    "macos": (machines.compare_macos, machines.install_macos, machines.test_macos),
    "firefox": (programs.compare, programs.install_firefox, programs.test_firefox),
    "python": (programs.compare, programs.install_python, programs.test_python),
    "curl": (programs.compare, programs.install_curl, programs.test_curl),
    "container": (programs.compare, programs.install_container, programs.test_curl),
}
