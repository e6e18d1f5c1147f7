"""Every alarm that is set up, by place: how soon it calls, at which limit, and whose words hold.

Whoever may see may read it: what to do is looked up here before anything calls. Words of alarms
that are set up no more stand below.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse

from tallymast.domain.alarms.model import Alarm
from tallymast.domain.alarms.rationalised import told_words
from tallymast.domain.alarms.setting_up import too_many_urgent
from tallymast.routes.alarm_board import TheAlarms
from tallymast.routes.alarm_words import (
    kind_words,
    limit_words,
    place_of,
    point_of,
    urgency,
    what_of,
)
from tallymast.routes.formats import lasting
from tallymast.routes.rows import Mark
from tallymast.routes.screens import Show
from tallymast.routes.services import Given, NetworkView
from tallymast.storage import rationalised
from tallymast.storage.rationalised import Kept

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True)
class SetUpRow:
    """One alarm: ``number`` 0 where it was never looked at; ``actor`` None: words as built in."""

    number: int
    what: str
    kind: str
    priority: Mark
    limit: str
    delay: str
    actor: str | None
    at_ms: int


@dataclass(frozen=True, slots=True)
class Place:
    """A site, a gateway or Tallymast itself, with its alarms, the most urgent first."""

    name: str
    href: str
    rows: tuple[SetUpRow, ...]


@dataclass(frozen=True, slots=True)
class Resting:
    """Words of an alarm that is set up no more."""

    number: int
    key: str
    words: str
    actor: str
    at_ms: int


@router.get("/setup/alarms")
def set_up_page(
    request: Request,
    given: Given,
    board: TheAlarms,
    show: Show,
    site: Annotated[str, Query(max_length=100)] = "",
    words: Annotated[str, Query(max_length=10)] = "",
) -> HTMLResponse:
    """List all alarms, or those of one site, or those of which people wrote something."""
    alarms, network = given.alarms(), given.network()
    with given.database.reading() as connection:
        kept = rationalised.every(connection)
    made = alarms.alarms.values()
    own = {key: one for one in kept if one.is_set_up for key in (one.key_now, one.key)}
    wanted = [one for one in made if site in ("", one.site) and (words != "own" or one.key in own)]
    places = tuple(places_of(wanted, own, board.numbers(alarms), network))
    context = {
        "places": places,
        "shown": len(wanted),
        "all": len(made),
        "own": sum(one.key in own for one in made),
        "urgent": too_many_urgent(network.network, made),
        "resting": tuple(_resting(kept, {one.key for one in made})),
        "sites": [(one.site.name, one.site.key) for one in network.sites],
        "site": site,
        "words": words,
    }
    return show.page(request, "setup_alarms.html", context)


def places_of(
    alarms: Iterable[Alarm],
    own: Mapping[str, Kept],
    numbers: Mapping[str, int],
    network: NetworkView,
) -> Iterator[Place]:
    """Yield the places in the network's order, those that are no site first."""
    found: dict[tuple[str, str], list[Alarm]] = {}
    for alarm in sorted(alarms, key=lambda one: bool(one.site)):
        found.setdefault(place_of(alarm, network), []).append(alarm)
    for (name, href), some in found.items():
        ordered = sorted(some, key=urgency)
        rows = (_row(one, own.get(one.key), numbers.get(one.key, 0), network) for one in ordered)
        yield Place(name, href, tuple(rows))


def _row(alarm: Alarm, kept: Kept | None, number: int, network: NetworkView) -> SetUpRow:
    plan = network.site_or_retired(alarm.site) if alarm.site else None
    point, priority = point_of(alarm, plan), alarm.priority
    return SetUpRow(
        number,
        what_of(alarm, point),
        kind_words(alarm.kind),
        Mark(priority.value, f"{priority.value}-seen", "off"),
        limit_words(alarm, point),
        lasting(alarm.on_delay_s * 1000) if alarm.on_delay_s else "none",
        None if kept is None else kept.written.actor,
        0 if kept is None else kept.written.at_ms,
    )


def _resting(kept: Iterable[Kept], made: set[str]) -> Iterator[Resting]:
    for one in kept:
        if not one.is_set_up or not {one.key, one.key_now} & made:
            said = one.written
            yield Resting(one.number, one.key, told_words(said), said.actor, said.at_ms)
