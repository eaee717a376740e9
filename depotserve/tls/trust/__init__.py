"""What clients need to trust a depot: the roots in their form, and the way to install them."""

from __future__ import annotations

from depotserve.tls.trust.directions import Directions, direct
from depotserve.tls.trust.forms import (
    CLIENTS,
    STORE_WORD,
    Form,
    check_word,
    common_name,
    fingerprint,
    form,
)
from depotserve.tls.trust.places import places
from depotserve.tls.trust.steps import Given, Step

__all__ = [
    "CLIENTS",
    "STORE_WORD",
    "Directions",
    "Form",
    "Given",
    "Step",
    "check_word",
    "common_name",
    "direct",
    "fingerprint",
    "form",
    "places",
]
