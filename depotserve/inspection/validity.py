"""How long a certificate holds, in words and as a grade."""

from __future__ import annotations

from datetime import datetime, timezone
from typing import TYPE_CHECKING

from depotserve.inspection.finding import Grade

if TYPE_CHECKING:
    from cryptography import x509

__all__ = ["URGENT_DAYS", "begins_later", "days_left", "ended", "grade", "in_words"]

RENEW_DAYS = 90  # a new one is due: some clients are told its fingerprint, which takes arranging
URGENT_DAYS = 14  # less than a change window in an isolated plant comes round in
_DAY = 86400.0


def days_left(certificate: x509.Certificate, now: float) -> int:
    """Give the whole days that are left; negative after the end."""
    return int((certificate.not_valid_after_utc.timestamp() - now) // _DAY)


def ended(certificate: x509.Certificate, now: float) -> bool:
    """Tell whether a certificate is over at `now` (seconds since 1970)."""
    return days_left(certificate, now) < 0


def begins_later(certificate: x509.Certificate, now: float) -> bool:
    """Tell whether a certificate is not valid yet, which mostly tells of a clock that is behind."""
    return now < certificate.not_valid_before_utc.timestamp()


def grade(certificate: x509.Certificate, now: float) -> Grade:
    """Judge a server certificate by the time that is left."""
    left = days_left(certificate, now)
    if begins_later(certificate, now) or left < URGENT_DAYS:
        return Grade.FAULT
    return Grade.CAUTION if left < RENEW_DAYS else Grade.FINE


def in_words(certificate: x509.Certificate, now: float) -> str:
    """Say until when a certificate is good, or why it is not."""
    begin, end = certificate.not_valid_before_utc, certificate.not_valid_after_utc
    if begins_later(certificate, now):
        clock = datetime.fromtimestamp(now, timezone.utc)
        return f"not valid before {begin:%Y-%m-%d}; the clock says {clock:%Y-%m-%d}"
    left = days_left(certificate, now)
    return f"ended on {end:%Y-%m-%d}" if left < 0 else f"good for {left} days, until {end:%Y-%m-%d}"
