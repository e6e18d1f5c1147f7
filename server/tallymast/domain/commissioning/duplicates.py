"""Finds who else has a unit address: in the network as entered, and on the wire.

Two stations at one address answer at once and garble each other; the loser of a weak-against-
strong pair is simply never heard. So it is looked for before a station is switched on, and once
more after.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from tallymast.domain.commissioning.scanning import Heard, Hearing
from tallymast.domain.model import GatewayPlan, Site, SitePlan


@dataclass(frozen=True, slots=True)
class Twin:
    """A site with the same unit address, and the gateway it lies behind."""

    site: Site
    gateway: str


@dataclass(frozen=True, slots=True)
class Twins:
    """Who else has a site's unit address.

    Attributes:
        here: other sites behind its own gateway; the network's rules allow none.
        elsewhere: sites behind other gateways; they matter where two channels overlap.
        retired: retired sites behind its own gateway; a station left there may still answer.

    """

    here: tuple[Twin, ...]
    elsewhere: tuple[Twin, ...]
    retired: tuple[Twin, ...]


def twins_of(
    plan: SitePlan,
    gateway: GatewayPlan,
    gateways: Iterable[GatewayPlan],
    retired: Iterable[tuple[GatewayPlan, SitePlan]] = (),
) -> Twins:
    """Return who else in the network has a site's unit address.

    Args:
        plan: the site.
        gateway: the one it lies behind.
        gateways: all there are, with their sites in use.
        retired: sites that are history only, each with the gateway it lay behind.

    """
    found = [
        (one, other)
        for one in gateways
        for other in one.sites
        if other.site.unit == plan.site.unit and other.site_id != plan.site_id
    ]
    gone = [
        Twin(other.site, one.gateway.name)
        for one, other in retired
        if one.gateway_id == gateway.gateway_id and other.site.unit == plan.site.unit
    ]
    return Twins(
        tuple(Twin(o.site, g.gateway.name) for g, o in found if g.gateway_id == gateway.gateway_id),
        tuple(Twin(o.site, g.gateway.name) for g, o in found if g.gateway_id != gateway.gateway_id),
        tuple(gone),
    )


class OnWire(StrEnum):
    """What asking an address once says, by whether the new station is switched on."""

    FREE = "nobody answers"
    TAKEN = "taken already"
    SILENT = "nothing there yet"
    ONE = "one answers"
    OTHER_MAP = "one answers, with another map"
    TWO = "two answer at once"


@dataclass(frozen=True, slots=True)
class Verdict:
    """What was heard, in a word, a sentence, and what to do about it; ``tone`` as pages use it."""

    word: OnWire
    tone: str  # calm, watch or act
    said: str
    do: str


def on_wire(heard: Heard, is_on: bool) -> Verdict:
    """Return what one asking of one address says.

    Args:
        heard: what came back.
        is_on: whether the new station is switched on, as the person there says.

    """
    word = _WORDS[heard.hearing, is_on]
    tone, said, do = _SAID[word]
    return Verdict(word, tone, said.format(unit=heard.unit), do)


_WORDS: Final = {
    (Hearing.SILENCE, False): OnWire.FREE,
    (Hearing.ANSWER, False): OnWire.TAKEN,
    (Hearing.REFUSAL, False): OnWire.TAKEN,
    (Hearing.GARBLED, False): OnWire.TWO,
    (Hearing.SILENCE, True): OnWire.SILENT,
    (Hearing.ANSWER, True): OnWire.ONE,
    (Hearing.REFUSAL, True): OnWire.OTHER_MAP,
    (Hearing.GARBLED, True): OnWire.TWO,
}
_SAID: Final = {
    OnWire.FREE: (
        "calm",
        "Nobody answers at unit {unit} while the new station is off: as it should be.",
        "Asked once; a station that is weak or without power is not heard. Ask a second time, "
        "then switch the new one on.",
    ),
    OnWire.TAKEN: (
        "act",
        "Somebody answers at unit {unit} although the new station is off: the address is taken.",
        "Do not switch the new station on. Choose another address here, or find who answers: the "
        "nearest sites, a station left at a retired site, a spare on a bench.",
    ),
    OnWire.SILENT: (
        "watch",
        "Nothing is heard at unit {unit} yet, with the new station on.",
        "Look at its power, its switches (and switch it off and on once: many read them only at "
        "start), line speed and parity, the antenna and its connector; then ask again.",
    ),
    OnWire.ONE: (
        "calm",
        "One answers at unit {unit}, and cleanly.",
        "To be sure that it is this one: switch it off, ask again, and nobody must answer.",
    ),
    OnWire.OTHER_MAP: (
        "watch",
        "One answers at unit {unit}, but refuses what was asked: it has other registers.",
        "Let the profiles be tried on it (finding, the next step); switch it off and ask again to "
        "be sure that it is this one.",
    ),
    OnWire.TWO: (
        "act",
        "What is heard at unit {unit} is garbled: two stations answer at once, or there is noise.",
        "Switch the new station off and ask again. Still garbled: noise, or two others. Clean or "
        "silent: the new one has somebody else's address; set another.",
    ),
}
