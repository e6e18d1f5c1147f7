"""Hashes and checks passwords, a few at a time, and slows down those who guess.

Argon2id of one lane, so that a sign-in takes one core for a moment and polling keeps the
other. Guesses are counted for each account and for each address, in memory: counting begins
anew with the server.
"""

from ipaddress import IPv6Address, ip_address
from threading import BoundedSemaphore
from typing import Final

from limits import RateLimitItemPerMinute
from limits.storage import MemoryStorage
from limits.strategies import MovingWindowRateLimiter
from pwdlib import PasswordHash
from pwdlib.hashers.argon2 import Argon2Hasher

from tallymast import assets
from tallymast.domain.people import wrong_with
from tallymast.routes.problems import Problem

# OWASP Password Storage Cheat Sheet: at least 47104 KiB with one pass, one lane. Twice that.
MEMORY_KIB, PASSES, LANES = 47_104, 2, 1
AT_ONCE = 2
WAIT_S = 4.0

WINDOW_MIN = 15
OF_ACCOUNT, OF_ADDRESS = 10, 40  # ours: guesses in any quarter hour
REFUSALS_OF_ADDRESS = 20  # refusals written down a minute and address; the rest would only flood

_DUMMY: Final = "a password that nobody has, so that an unknown name takes as long"


class Passwords:
    """Hashes and checks; at most two at a time, others wait a moment or are sent away."""

    def __init__(self) -> None:
        hasher = Argon2Hasher(time_cost=PASSES, memory_cost=MEMORY_KIB, parallelism=LANES)
        self._hasher = PasswordHash((hasher,))
        self._turns = BoundedSemaphore(AT_ONCE)
        self._nobody: str | None = None

    def hash(self, password: str) -> str:
        """Return what is kept of a password.

        Raises:
            Problem: too many at once.

        """
        self._take_turn()
        try:
            return self._hasher.hash(password)
        finally:
            self._turns.release()

    def is_right(self, password: str, kept: str | None) -> bool:
        """Return whether a password is the kept one; takes as long where nothing is kept."""
        if kept is None and self._nobody is None:
            self._nobody = self.hash(_DUMMY)
        self._take_turn()
        try:
            right = self._hasher.verify(password, kept or self._nobody or "")
        finally:
            self._turns.release()
        return right and kept is not None

    def _take_turn(self) -> None:
        if not self._turns.acquire(timeout=WAIT_S):
            raise Problem(503, "Too many people sign in at this moment. Try again in a minute.")


def checked(password: str, again: str, *context: str) -> None:
    """Refuse a new password that cannot be used.

    Raises:
        Problem: says why.

    """
    if password != again:
        raise Problem(422, "The two passwords are not the same. Type both again.")
    if why := wrong_with(password, context, assets.common_passwords()):
        raise Problem(422, why)


class Throttle:
    """Counts guesses by account and by address, and what is written down of refusals."""

    def __init__(self) -> None:
        self._storage = MemoryStorage()
        self._window = MovingWindowRateLimiter(self._storage)
        self._account = RateLimitItemPerMinute(OF_ACCOUNT, WINDOW_MIN, "account")
        self._address = RateLimitItemPerMinute(OF_ADDRESS, WINDOW_MIN, "address")
        self._refusals = RateLimitItemPerMinute(REFUSALS_OF_ADDRESS, 1, "refusals")

    def take(self, account: str, address: str) -> bool:
        """Count one guess; return whether it may be made."""
        by_address = self._window.hit(self._address, _network(address))
        return self._window.hit(self._account, account) and by_address

    def forget(self, account: str) -> None:
        """Begin anew for an account whose person has just given the right password."""
        self._window.clear(self._account, account)

    def may_tell(self, address: str) -> bool:
        """Return whether one more refusal of this address is to be written down."""
        return self._window.hit(self._refusals, _network(address))


def _network(address: str) -> str:
    """Return what one guesser has: an IPv4 address, or the 64 bits of an IPv6 network."""
    try:
        found = ip_address(address)
    except ValueError:
        return address
    return str(IPv6Address(int(found) >> 64 << 64)) if isinstance(found, IPv6Address) else address
