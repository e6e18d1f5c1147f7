"""Writes the messages that are due: brings alarms, names and the network's clock to the words."""

from collections.abc import Mapping
from dataclasses import dataclass

from tallymast.domain.alarms.model import Alarms, Standing
from tallymast.domain.telling.areas import hides
from tallymast.domain.telling.model import Digest, Due, MessageKind, NewMessage
from tallymast.domain.telling.settings import Telling
from tallymast.domain.telling.words import (
    House,
    Item,
    Words,
    alarm_words,
    digest_words,
    words_of_test,
)
from tallymast.domain.zones import find_zone
from tallymast.routes.alarm_words import place_of, point_of, says, what_of
from tallymast.routes.services import NetworkView


@dataclass(frozen=True, slots=True)
class Desk:
    """What a message is written from.

    Attributes:
        alarms: as they stand.
        network: as it is now.
        numbers: of the alarms' pages, by key.
        telling: what is set up.
        now_ms: the instant, UTC milliseconds.

    """

    alarms: Alarms
    network: NetworkView
    numbers: Mapping[str, int]
    telling: Telling
    now_ms: int


def house_of(network: NetworkView, telling: Telling, now_ms: int) -> House:
    """Return where messages come from, and when."""
    name = network.time_zone
    return House(network.title, find_zone(name), name, telling.public_url, now_ms)


def written(one: Due, desk: Desk) -> NewMessage:
    """Write a message that is due."""
    words = _words(one, desk)
    return NewMessage(
        one.contact.id,
        one.kind,
        one.priority,
        words.subject,
        words.body,
        one.alarms,
        desk.now_ms,
    )


def _words(one: Due, desk: Desk) -> Words:
    house = house_of(desk.network, desk.telling, desk.now_ms)
    kinds = one.kinds or (one.kind,) * len(one.alarms)
    items = [_item(time.key, kind, desk) for time, kind in zip(one.alarms, kinds, strict=True)]
    if one.kind is MessageKind.TEST:
        return words_of_test(items[0], house)
    if one.kind is MessageKind.DIGEST:
        return digest_words(items, house, is_hourly=one.contact.digest is Digest.HOURLY)
    return alarm_words(items, house)


def _item(key: str, kind: MessageKind, desk: Desk) -> Item:
    alarm, network = desk.alarms.alarms[key], desk.network
    standing = desk.alarms.standings.get(key, Standing())
    point = point_of(alarm, network.site_or_retired(alarm.site) if alarm.site else None)
    where, _ = place_of(alarm, network)
    number = desk.numbers.get(key)
    return Item(
        alarm,
        standing,
        where,
        what_of(alarm, point),
        says(alarm, standing, point),
        f"/alarms/{number}" if number is not None else "",
        kind,
        hides(alarm, where, desk.alarms),
    )
