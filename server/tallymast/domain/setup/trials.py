"""Tries a draft of a profile at one unit address: what is read there, and what it would mean.

The draft becomes a station of its own, read by its own layout; the network stays as it is.
"""

import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from tallymast.domain.modbus.blocks import site_layout
from tallymast.domain.model import (
    Block,
    Gateway,
    LayoutPoint,
    Point,
    PollClass,
    Reading,
    Site,
    SiteLayout,
    Table,
)
from tallymast.domain.network_file import Written, build, mistakes_in
from tallymast.domain.read_plan import read_plan
from tallymast.domain.readings import readings
from tallymast.domain.setup.form_mistakes import for_form
from tallymast.domain.setup.things import Thing, find

_KEY = "on-trial"


@dataclass(frozen=True, slots=True)
class Trial:
    """A draft as a station of its own.

    Attributes:
        written: a network of this one station; it is all a trial needs to be read again.
        site: the station.
        gateway: behind which it lies.
        blocks: what is read.

    """

    written: Written
    site: Site
    gateway: Gateway
    blocks: tuple[Block, ...]

    @property
    def layout(self) -> SiteLayout:
        """How its words are read."""
        numbers = {point.tag: n for n, point in enumerate(self.site.points)}
        return site_layout(0, 0, self.site.points, numbers, self.blocks)


@dataclass(frozen=True, slots=True)
class Tried:
    """What became of one point.

    Attributes:
        raw: its words as hexadecimal, or its bit; empty where nothing came.
        reading: what that means; None where nothing came.
        said: why nothing came, in words; empty where something did or is still awaited.

    """

    point: Point
    raw: str
    reading: Reading | None
    said: str


def trial_of(
    written: Written,
    profile: str,
    gateway: str,
    unit: Any,
    like: Site | None,
    own: Sequence[Written],
) -> Trial | str:
    """Return a draft as a station of its own, or a sentence why it cannot be one.

    Args:
        written: the network with the draft in it.
        profile: the key of the profile.
        gateway: behind which it is tried.
        unit: the unit address.
        like: the site that is there already: its patience holds; None for none.
        own: points of the site itself, over the profile's.

    """
    patience = {} if like is None else {
        "reply_timeout_s": like.reply_timeout_s,
        "turnaround_ms": like.turnaround_ms,
    }  # fmt: skip
    # The fastest poll there is: whether a total could wrap unseen is not what is tried.
    station = {"key": _KEY, "gateway": gateway, "unit": unit, "profile": profile}
    station |= {"poll_every_s": 0.1, "in_service": False, **patience}
    small: Written = {
        "gateway": [one for one in [find(written, Thing("gateway", gateway))] if one],
        "profile": [one for one in [find(written, Thing("profile", profile))] if one],
        "site": [{**station, "point": list(own)} if own else station],
    }
    if wrong := mistakes_in(small):
        return for_form(wrong[0].sentence)
    return trial_again(small)


def trial_again(written: Written, blocks: Sequence[Sequence[Any]] | None = None) -> Trial:
    """Return a trial from the network of its one station, with the blocks that were read."""
    network = build(written, "")
    site, gateway = network.sites[0], network.gateways[0]
    if blocks is None:
        return Trial(written, site, gateway, read_plan(site, gateway))
    slow = PollClass.FAST
    known = tuple(Block(Table(table), start, count, slow) for table, start, count in blocks)
    return Trial(written, site, gateway, known)


def tried(trial: Trial, rows: Sequence[Mapping[str, Any]], at_ms: int) -> list[Tried]:
    """Return what became of each point of a trial, in the profile's order.

    Args:
        trial: what was read.
        rows: what each block drew so far.
        at_ms: when [UTC ms].

    """
    by_block = {row.get("block"): row for row in rows}
    words = [_words(by_block.get(n)) for n in range(len(trial.blocks))]
    layout = trial.layout
    times = [None if one is None else at_ms for one in words]
    found = readings(layout, words, times, 0, at_ms, 1)
    told = []
    for point, place, reading in zip(trial.site.points, layout.points, found, strict=True):
        body, row = words[place.block], by_block.get(place.block)
        if body is None:
            told.append(Tried(point, "", None, "" if row is None else _said(row)))
        else:
            raw = _raw(trial.blocks[place.block], place, body)
            told.append(Tried(point, raw, reading, ""))
    return told


def _words(row: Mapping[str, Any] | None) -> bytes | None:
    text = None if row is None or row.get("heard") != "answer" else row.get("words")
    try:
        return bytes.fromhex(text) if text else None
    except ValueError:
        return None


def _said(row: Mapping[str, Any]) -> str:
    words = {
        "refusal": f"refused, code {row.get('code', 0):02d}",
        "garbled": "answered, but not readably",
        "silence": "no answer",
    }
    return str(row.get("said") or words.get(str(row.get("heard")), "no words came"))


def _raw(block: Block, place: LayoutPoint, body: bytes) -> str:
    if block.table.holds_bits:
        at, bit = divmod(place.offset, 16)
        (word,) = struct.unpack(">H", body[2 * at : 2 * at + 2].rjust(2, b"\0"))
        return str(word >> bit & 1)
    part = body[2 * place.offset : 2 * (place.offset + place.length)]
    return " ".join(part[n : n + 2].hex().upper() for n in range(0, len(part), 2))
