"""Finds which outages of a period count, and what each is put down to."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Final

from tallymast.domain.health.comms.common import Placed, common_causes, explained
from tallymast.domain.health.comms.model import Cause, CommonCause, Outage
from tallymast.domain.health.comms.outages import Span, silent_spans, without
from tallymast.domain.health.comms.supply_caused import supply_caused
from tallymast.domain.model import GatewayPlan, Site
from tallymast.domain.positions import distance_bearing
from tallymast.domain.record.rollups import HOUR_MS
from tallymast.routes.reliability_periods import Period
from tallymast.routes.reliability_reading import Read
from tallymast.routes.services import NetworkView
from tallymast.storage.outages import outages_in
from tallymast.storage.reliability import NightLow

_NEAR_MS: Final = HOUR_MS // 2  # ours: so close before an outage a night's low tells of it
_NIGHT_MS: Final = 8 * HOUR_MS  # ours: the same where the site was dark before sunrise

Outages = Mapping[int, Sequence[Outage]]


def told_outages(
    network: NetworkView, read: Read, period: Period, apart: Mapping[int, Sequence[Span]]
) -> tuple[Outages, list[CommonCause]]:
    """Return every site's outages of both periods, and the common causes of the later one.

    Args:
        network: the network.
        read: what was read.
        period: which.
        apart: by site, when it was not to be asked or reached.

    """
    limits = {one.site_id: one.site.miss_limit for one in network.sites}
    found = {
        site_id: _charged(some, apart.get(site_id, ()), period)
        for site_id, some in outages_in(read.whole, limits).items()
    }
    by_supply, others, earlier = _by_cause(network, found, read, period)
    causes = common_causes(
        others, _placed(network), not_polled=apart, newest_answer_ms=_newest(read, period)
    )
    return _together(earlier, by_supply, explained(others, causes)), causes


def _charged(outages: Iterable[Outage], apart: Sequence[Span], period: Period) -> list[Outage]:
    """Return the outages of both periods that are not all hidden by what is held apart."""
    span = (period.before_ms, period.to_ms)
    return [
        one
        for one in outages
        if one.from_ms < span[1]
        and (one.to_ms is None or one.to_ms > span[0])
        and without(silent_spans([one], max(span[1], one.from_ms + 1)), apart)
    ]


def _by_cause(
    network: NetworkView, outages: Outages, read: Read, period: Period
) -> tuple[Outages, Outages, Outages]:
    """Return the outages that the supply caused, the others, and those of the period before.

    Nobody asks for the causes of the period before.
    """
    sites = {one.site_id: one.site for one in network.sites}
    parts: tuple[dict[int, list[Outage]], ...] = ({}, {}, {})
    for site_id, some in outages.items():
        for one in some:
            if one.to_ms is not None and one.to_ms <= period.from_ms:
                parts[2].setdefault(site_id, []).append(one)
            elif site_id in sites and _by_supply(one, sites[site_id], read):
                parts[0].setdefault(site_id, []).append(replace(one, cause=Cause.SUPPLY))
            else:
                parts[1].setdefault(site_id, []).append(one)
    return parts[0], parts[1], parts[2]


def _together(*parts: Outages) -> dict[int, list[Outage]]:
    found: dict[int, list[Outage]] = {}
    for part in parts:
        for site_id, some in part.items():
            found.setdefault(site_id, []).extend(some)
    return {site_id: sorted(some, key=lambda one: one.from_ms) for site_id, some in found.items()}


def _by_supply(outage: Outage, site: Site, read: Read) -> bool:
    """Whether an outage is put down to the supply: as judged of late, else by the night's low."""
    judged = read.judged.get((outage.site_id, outage.from_ms))
    supply = site.supply
    if judged is not None or supply is None or supply.disconnect_v is None:
        return judged is Cause.SUPPLY
    return any(
        supply_caused(
            outage,
            low.volts,
            None,
            supply.disconnect_v,
            nominal_v=supply.nominal_v,
            back_after_sunrise_min=None,
        )
        for low in read.lows.get(outage.site_id, ())
        if _tells_of(low, outage)
    )


def _tells_of(low: NightLow, outage: Outage) -> bool:
    """Whether a night's lowest voltage says with what an outage began."""
    before_ms = outage.from_ms - low.at_ms
    return 0 <= before_ms <= (_NIGHT_MS if low.dark else _NEAR_MS)


def _placed(network: NetworkView) -> list[Placed]:
    return [
        Placed(
            one.site_id,
            gateway.gateway.key,
            one.via_site_id,
            _bearing(gateway, one.site),
            round(1000 * one.site.poll_every_s),
            round(1000 * max((each.site.poll_every_s for each in gateway.sites), default=0)),
        )
        for gateway in network.gateways
        for one in gateway.sites
    ]


def _bearing(gateway: GatewayPlan, site: Site) -> float | None:
    mast = gateway.gateway
    if mast.latitude is None or mast.longitude is None:
        return None
    if site.latitude is None or site.longitude is None:
        return None
    leg = distance_bearing(mast.latitude, mast.longitude, site.latitude, site.longitude)
    return leg.bearing_deg


def _newest(read: Read, period: Period) -> dict[int, int]:
    """Return when each site answered last, to the hour."""
    found = {}
    for site_id, hours in read.hours.items():
        answered = hours.at_ms[hours.cells[:, 0] > hours.cells[:, 2]]
        if len(answered):
            found[site_id] = min(int(answered[-1]) + HOUR_MS, period.to_ms)
    return found
