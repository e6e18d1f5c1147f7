"""Asks every cause about every site, and tells what to name first.

Silent where evidence is thin. What one cause explains is not laid to another; causes that the
evidence cannot part are told as "A or B".
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace

from tallymast.domain.health.diagnosis.causes import (  # noqa: F401  (they enter themselves)
    antenna,
    battery,
    contact,
    controller,
    empty,
    fading,
    garbled,
    interference,
    little_charge,
    mains,
    points,
    registers,
    restarts,
    shared_silence,
    silence,
    supply,
)
from tallymast.domain.health.diagnosis.evidence import Around, SiteEvidence
from tallymast.domain.health.diagnosis.model import APART, SPOKEN, About, Diagnosis
from tallymast.domain.health.diagnosis.registry import CAUSES


def diagnose(sites: Sequence[SiteEvidence]) -> tuple[Diagnosis, ...]:
    """Return the causes to name, the surest first; of each site one about each matter.

    Args:
        sites: the evidence of every polled site of the network, at one instant.

    """
    around = Around(sites)
    found: dict[str, Diagnosis] = {}
    for one in sites:
        for cause in CAUSES:
            named = cause(one, around)
            if named is not None and named.score >= SPOKEN:
                found.setdefault(named.key, named)
    told = sorted(found.values(), key=lambda one: -one.score)
    return tuple(_first_of_each(_unexplained(told)))


def _unexplained(found: Sequence[Diagnosis]) -> list[Diagnosis]:
    """Leave out what another cause explains: at its own sites, or at those it touches."""
    explained: set[tuple[int, About]] = set()
    for one in found:
        explained |= {(site_id, about) for site_id in one.site_ids for about in one.explains}
        explained |= {(site_id, About.CONTACT) for site_id in one.touched}
    return [
        one
        for one in found
        if not one.site_ids or any((site, one.about) not in explained for site in one.site_ids)
    ]


def _first_of_each(found: Sequence[Diagnosis]) -> Iterable[Diagnosis]:
    """Yield the surest cause of each matter at each site, with those it cannot be parted from."""
    taken: set[tuple[int, About, str]] = set()
    for one in found:
        matters = {(site_id, one.about, one.tag) for site_id in one.site_ids}
        if matters and matters <= taken:
            continue
        taken |= matters
        yield replace(one, rivals=(*one.rivals, *_rivals(one, found)))


def _rivals(one: Diagnosis, found: Sequence[Diagnosis]) -> list[str]:
    return [
        other.title
        for other in found
        if other is not one
        and other.about is one.about
        and other.tag == one.tag
        and set(other.site_ids) & set(one.site_ids)
        and one.score - other.score < APART
        and other.title not in one.rivals
    ]
