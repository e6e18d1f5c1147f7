"""Whom an alarm concerns by area, and what is suppressed because of it."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from tallymast.domain.alarms.model import Alarm, Alarms, AlarmState, Kind
from tallymast.domain.model import Network
from tallymast.domain.telling.model import Contact

_CAUSES = frozenset({Kind.GATEWAY, Kind.COMM_FAIL})


@dataclass(frozen=True, slots=True)
class Areas:
    """The areas that alarms of a site or gateway concern; none: everybody.

    Attributes:
        sites: by site key; a repeater's are those of the sites behind it too.
        gateways: by gateway key, those of all its sites.

    """

    sites: Mapping[str, frozenset[str]] = field(default_factory=dict)
    gateways: Mapping[str, frozenset[str]] = field(default_factory=dict)

    def of(self, alarm: Alarm) -> frozenset[str]:
        """Return the areas an alarm concerns; empty: it concerns everybody."""
        if alarm.site:
            return self.sites.get(alarm.site, frozenset())
        return self.gateways.get(alarm.gateway, frozenset())


def areas_of(network: Network) -> Areas:
    """Return which areas the alarms of a network concern.

    A site without an area concerns everybody, and so does what carries it.
    """
    sites = {site.key: {site.area} for site in network.sites}
    for site in network.sites:
        via, passed = site.via, {site.key}
        while via is not None and via in sites and via not in passed:
            sites[via].add(site.area)
            passed.add(via)
            carrier = next(one for one in network.sites if one.key == via)
            via = carrier.via
    gateways: dict[str, set[str]] = {}
    for site in network.sites:
        gateways.setdefault(site.gateway, set()).add(site.area)
    return Areas(_told(sites), _told(gateways))


def concerns(contact: Contact, areas: frozenset[str]) -> bool:
    """Whether what concerns these areas concerns a contact."""
    return not contact.areas or not areas or not areas.isdisjoint(contact.areas)


def hides(alarm: Alarm, place: str, alarms: Alarms) -> str:
    """Return in a sentence how much is suppressed because of an alarm; empty: nothing.

    Args:
        alarm: of a gateway, or of a silent site.
        place: the name of that gateway or site, as suppression names it.
        alarms: all of them.

    """
    if alarm.kind not in _CAUSES:
        return ""
    start = f"suppressed: {place} "  # so domain/alarms/suppression.py begins, whatever follows
    held = [key for key, one in alarms.standings.items() if one.suppressed_by.startswith(start)]
    sites = {alarms.alarms[key].site for key in held if key in alarms.alarms} - {"", alarm.site}
    if not sites:
        return ""
    calling = sum(alarms.standings[key].state is not AlarmState.NORMAL for key in held)
    where = "1 site is" if len(sites) == 1 else f"{len(sites)} sites are"
    alarm_s = "alarm" if calling == 1 else "alarms"
    told = f"{calling} {alarm_s} there" if calling else "alarms there"
    return f"{where} not seen because of it; {told}, suppressed by design, not told one by one."


def _told(found: Mapping[str, set[str]]) -> dict[str, frozenset[str]]:
    return {key: frozenset() if "" in some else frozenset(some) for key, some in found.items()}
