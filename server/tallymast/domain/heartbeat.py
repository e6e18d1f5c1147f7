"""The sign of life that Tallymast sends to somebody outside: where to, how often, how it goes.

Whoever receives it calls when it stays out: of a program that has ended, nothing else tells. The
address may hold a key of the receiver's, so that only its host is ever named to people.
"""

from dataclasses import dataclass
from typing import Final
from urllib.parse import SplitResult, urlsplit

LEAST_MIN: Final = 1
MOST_MIN: Final = 1440  # a day
URL_LONGEST: Final = 500
LATE_PERIODS: Final = 2  # ours: one beat may be lost on its way, two in a row are worth a line


@dataclass(frozen=True, slots=True)
class Heartbeat:
    """Where a sign of life goes, and how often.

    Attributes:
        url: the receiver's address, http or https; empty: none is sent.
        every_min: minutes between two, 1 to 1440.
        posts: by POST with a small body in JSON; else by GET.

    """

    url: str = ""
    every_min: int = 5
    posts: bool = False

    @property
    def is_on(self) -> bool:
        """Whether any is sent."""
        return bool(self.url)

    @property
    def host(self) -> str:
        """The receiver as people may know it: its host, without what may be a key."""
        parts = _split(self.url)
        return (parts.hostname or "") if parts is not None else ""


@dataclass(frozen=True, slots=True)
class HeartbeatNow:
    """How sending goes; UTC ms, None: never since the start.

    Attributes:
        is_on: whether any is to be sent.
        every_min, host: as it is set up.
        since_ms: since when it is sent like this.
        last_ms: when the receiver took one last.
        failed_ms, failed: when one failed last, and why, a sentence.
        in_a_row: how many failed since one was taken.
        held: why none is sent although it should be, a sentence; empty: nothing holds it.

    """

    is_on: bool = False
    every_min: int = 0
    host: str = ""
    since_ms: int | None = None
    last_ms: int | None = None
    failed_ms: int | None = None
    failed: str = ""
    in_a_row: int = 0
    held: str = ""

    def is_late(self, now_ms: int) -> bool:
        """Whether none was taken for more than two periods, and sending failed meanwhile."""
        known = [at for at in (self.last_ms, self.since_ms) if at is not None]
        if not self.is_on or not self.in_a_row or not known:
            return False
        return now_ms - max(known) > LATE_PERIODS * self.every_min * 60_000


def wrong(beat: Heartbeat) -> tuple[str, ...]:
    """Return what cannot be used of a heartbeat as it was written, in sentences."""
    found = list(_wrong_url(beat.url)) if beat.url else []
    if not LEAST_MIN <= beat.every_min <= MOST_MIN:
        found.append(
            f"A sign of life is sent every {LEAST_MIN} to {MOST_MIN} minutes, not every"
            f" {beat.every_min}."
        )
    return tuple(found)


def _wrong_url(url: str) -> list[str]:
    parts = _split(url)
    if len(url) > URL_LONGEST:
        return [f"The address has {len(url)} characters; {URL_LONGEST} are the most."]
    if any(sign.isspace() or not sign.isprintable() for sign in url) or parts is None:
        return ["The address cannot be read; write it as https://watch.example.org/beat."]
    if parts.scheme not in ("http", "https"):
        return ["The address begins with https:// or http://, and with nothing else."]
    if not parts.hostname:
        return ["The address names no host; write it as https://watch.example.org/beat."]
    if parts.username or parts.password:
        return ["The address may not hold a name or password before its host."]
    return []


def _split(url: str) -> SplitResult | None:
    try:
        parts = urlsplit(url)
        _ = parts.port
    except ValueError:
        return None
    return parts
