"""Who may sign in: hashes, the users file and its terms, the gate, and what may be set."""

from depotserve.accounts import passphrase, policy
from depotserve.accounts.counts import FailureCounts
from depotserve.accounts.files import create, read
from depotserve.accounts.gate import Gate
from depotserve.accounts.model import Account, Accounts, load
from depotserve.accounts.verdict import Outcome, Verdict

__all__ = [
    "Account",
    "Accounts",
    "FailureCounts",
    "Gate",
    "Outcome",
    "Verdict",
    "create",
    "load",
    "passphrase",
    "policy",
    "read",
]
