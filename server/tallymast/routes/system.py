"""What is wrong with Tallymast itself, in sentences, for the top of every page."""

import re
from typing import Final

from tallymast.domain.desks import Desk
from tallymast.domain.heartbeat import HeartbeatNow
from tallymast.domain.zones import find_zone
from tallymast.routes.formats import Clock, plural
from tallymast.routes.services import PollerCondition, Services, StorageCondition

# Every page shows these sentences, also to who is not signed in: a mail address is nobody's there.
_MAIL_ADDRESS: Final = re.compile(r"<?[^\s<>@]+@[^\s<>@:,;]+>?")


def system_lines(given: Services) -> tuple[str, ...]:
    """Return what is wrong and since when; empty when nothing is."""
    clock = Clock(find_zone(given.network().time_zone), given.now_ms())
    poller, storage = given.poller_condition(), given.storage_condition()
    lines = []
    if poller.state == "standing":
        lines.append(_standing(poller))
    if storage.state != "ok":
        lines.append(_refused(storage, clock))
    desks = given.desks()
    lines += [one.words(clock.now_ms, clock.zone) for one in desks]
    is_told = any(one.desk is Desk.TELLING for one in desks)
    if not is_told and (trouble := given.telling_trouble()):
        lines.append(_MAIL_ADDRESS.sub("the address", trouble))
    beat = given.heartbeat()
    if beat.is_late(clock.now_ms):
        lines.append(_not_taken(beat, clock))
    return tuple(lines)


def _standing(poller: PollerCondition) -> str:
    return poller.sentence or "Polling stands still: every value on this page grows old."


def _not_taken(beat: HeartbeatNow, clock: Clock) -> str:
    """Say that the receiver outside gets no sign of life; not where it is."""
    since = beat.last_ms if beat.last_ms is not None else beat.since_ms
    last = f"since {clock.words(since)}" if since is not None else "yet"
    return (
        f"The sign of life to the outside receiver was not taken {last}, "
        f"{plural(beat.in_a_row, 'try', 'tries')} in a row: {beat.failed} "
        "Whoever watches from there may call; all else goes on."
    )


def _refused(storage: StorageCondition, clock: Clock) -> str:
    why = storage.sentence or "Readings cannot be stored at present."
    since = f" since {clock.words(storage.since_ms)}" if storage.since_ms else ""
    said = f"{why} Nothing is stored{since}; polling goes on, and "
    said += f"{plural(storage.waiting, 'poll')} wait in memory."
    if storage.dropped:
        said += f" Memory is full: {plural(storage.dropped, 'poll')} had to be dropped."
    return said
