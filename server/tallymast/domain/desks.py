"""The desks that work beside polling: which one stands still, since when, and what that means.

A desk works in a loop. A step that a fault of the program breaks ends neither the loop nor what
other desks do: it is told, and the next step is tried. A desk stands still while its steps break,
or once its loop has ended although nobody ended it.
"""

from dataclasses import dataclass, replace
from datetime import tzinfo
from enum import StrEnum
from typing import Final, NamedTuple

from tallymast.domain.local_times import clock_words


class Desk(StrEnum):
    """Who may stand still; the values are kept for other processes."""

    ORDERS = "orders"
    PROOFS = "proofs"
    ALARMS = "alarms"
    TELLING = "telling"
    HEARTBEAT = "heartbeat"
    VOLUMES = "volumes"
    JOBS = "jobs"
    STORING = "storing"
    HOURS = "hours"
    PLAN = "plan"
    JUDGING = "judging"
    KEEPING = "keeping"
    EXPORTS = "exports"
    FOLLOWING = "following"


class Why(StrEnum):
    """Why a desk stands still."""

    BREAKS = "breaks"  # its steps break; it tries again
    ENDED = "ended"  # its loop has ended
    UNHEARD = "unheard"  # it works in another process, of which nothing is heard


class _Words(NamedTuple):
    """Of a desk: its name, what its standing still means, and what to do meanwhile."""

    name: str
    means: str
    do: str = ""


_WORDS: Final = {
    Desk.ORDERS: _Words(
        "The order desk",
        "No order is sent or proven, and none is taken, not even off.",
        "Operate outputs at the site.",
    ),
    Desk.PROOFS: _Words(
        "The proving of orders",
        "Orders are sent and read back; whether their effect follows is not looked at.",
        "Look at the site, or at the feedback's own value, whether an order had its effect.",
    ),
    Desk.ALARMS: _Words(
        "The look for alarms",
        "No alarm is raised or cleared; what is shown is as it was then.",
        "Watch the values themselves.",
    ),
    Desk.TELLING: _Words(
        "The telling of people", "Nobody is told of alarms.", "Somebody has to watch this page."
    ),
    Desk.HEARTBEAT: _Words(
        "The sign of life", "None is sent to the outside receiver, so whoever watches may call."
    ),
    Desk.VOLUMES: _Words(
        "The counting of volumes",
        "Volumes are as they were then; counts are read and kept, and counted later.",
    ),
    Desk.JOBS: _Words(
        "The desk for what people ask of polling",
        "Polls, scans and tests that are asked for are not begun, so no page can order anything.",
    ),
    Desk.STORING: _Words(
        "Storing",
        "What is polled waits in memory and is not stored; some of it is lost with the next start.",
    ),
    Desk.HOURS: _Words(
        "The closing of hours",
        "Days and nights are not brought up to date; polls are read and kept, and closed later.",
    ),
    Desk.PLAN: _Words(
        "The watch over the network's changes",
        "What is changed or said of sites does not reach polling.",
    ),
    Desk.JUDGING: _Words(
        "The judging of sites", "Trends, causes and findings are as they were then."
    ),
    Desk.KEEPING: _Words(
        "The keeping of the record", "No backup is made and no old poll given up."
    ),
    Desk.EXPORTS: _Words("The making of files", "Exports that are asked for are not begun."),
    Desk.FOLLOWING: _Words(
        "The following of what is polled",
        "Every value on this page grows old, although sites may be polled.",
    ),
}


@dataclass(frozen=True, slots=True)
class Standstill:
    """One desk that stands still.

    Attributes:
        since_ms: since when, as far as that is known [UTC ms].

    """

    desk: Desk
    since_ms: int
    why: Why

    @property
    def name(self) -> str:
        """The desk in words, as a sentence begins."""
        return _WORDS[self.desk].name

    def words(self, now_ms: int, zone: tzinfo) -> str:
        """Return in sentences that it stands still, since when, what that means, what to do."""
        known = _WORDS[self.desk]
        since = clock_words(self.since_ms, now_ms, zone, seconds=True)
        said = f"{known.name} stands still since {since}, {_WHY[self.why]} {known.means}"
        return " ".join(one for one in (said, known.do, _DO[self.why]) if one)


_WHY: Final = {
    Why.BREAKS: "by a fault of the program; it tries again by itself.",
    Why.ENDED: "by a fault of the program.",
    Why.UNHEARD: "as nothing is heard of the process that polls.",
}
_DO: Final = {
    Why.BREAKS: "If that lasts, start Tallymast again; its log says more.",
    Why.ENDED: "Start Tallymast again; its log says more.",
    Why.UNHEARD: "See whether that process runs, and start it again.",
}


@dataclass(frozen=True, slots=True)
class Going:
    """How the steps of one loop go.

    Attributes:
        since_ms: when the first of the steps that broke in a row broke [UTC ms]; None: the last
            step did not break.
        faults: how many broke since the start.

    """

    since_ms: int | None = None
    faults: int = 0

    def broke(self, at_ms: int) -> "Going":
        """Return it after a step that a fault of the program broke."""
        since_ms = at_ms if self.since_ms is None else self.since_ms
        return Going(since_ms, self.faults + 1)

    def went(self) -> "Going":
        """Return it after a step that did not break."""
        return self if self.since_ms is None else replace(self, since_ms=None)


def standstill(desk: Desk, going: Going, ended_ms: int | None) -> Standstill | None:
    """Return that a desk stands still; None while it works.

    Args:
        desk: which one.
        going: how its steps go.
        ended_ms: when its loop was first seen to have ended, although nobody ended it [UTC ms].

    """
    if ended_ms is not None:
        known = [one for one in (going.since_ms, ended_ms) if one is not None]
        return Standstill(desk, min(known), Why.ENDED)
    if going.since_ms is None:
        return None
    return Standstill(desk, going.since_ms, Why.BREAKS)
