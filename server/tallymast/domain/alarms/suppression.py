"""Why an alarm is suppressed by design, in a sentence: one cause is shown, not all that it hides.

A site's alarms are suppressed while its gateway cannot be reached, while a repeater on its way is
silent, while somebody works there, and while nobody polls it. They go on being judged; none of
them can be raised or cleared by what is not known meanwhile. The sentence holds no age and no
count, so that it stays the same as long as its cause does.
"""

from collections.abc import Mapping

from tallymast.domain.alarms.conditions import Around
from tallymast.domain.alarms.model import Alarm, Kind
from tallymast.domain.health.attention import Standing as SiteStanding
from tallymast.domain.model import Act, GatewayStatus, SiteStatus

# What became of an order is no reading: whoever gave it has to know, whatever is silent now. A
# permit rests on what was counted before, at all of its points.
NEVER = frozenset({Kind.GATEWAY, Kind.STORAGE, Kind.POLLER, Kind.TEST, Kind.ORDER, Kind.PERMIT})


def suppressed(alarm: Alarm, around: Around) -> str:
    """Return why an alarm is suppressed by design, a sentence; empty: it is not."""
    site = around.sites.get(alarm.site)
    if alarm.kind in NEVER or site is None:
        return ""
    reason = _by_people(site) or _by_gateway(site, around) or _by_path(site, around.sites)
    return f"suppressed: {reason}" if reason else ""


def _by_people(site: SiteStanding) -> str:
    plan = site.plan
    if plan.site.retired is not None:
        return f"{plan.site.name} is retired"
    if not plan.site.in_service:
        return f"{plan.site.name} is not in service"
    if plan.act is Act.NOT_POLLED or site.status is SiteStatus.NOT_POLLED:
        return f"{plan.site.name} is not polled"
    if plan.act is Act.MAINTENANCE or site.status is SiteStatus.MAINTENANCE:
        return f"{plan.site.name} is in maintenance, somebody works there"
    return ""


def _by_gateway(site: SiteStanding, around: Around) -> str:
    key = site.plan.site.gateway
    state, name = around.gateways.get(key), around.gateway_names.get(key, key)
    if state is None:
        return ""
    if state.status is GatewayStatus.UNREACHABLE:
        return f"{name} cannot be reached"
    if state.status is GatewayStatus.MUTE:
        return f"{name} takes the connection and no site behind it answers"
    return ""


def _by_path(site: SiteStanding, sites: Mapping[str, SiteStanding]) -> str:
    """Follow the way towards the gateway; the silent repeater nearest to the gateway counts."""
    reason, via, passed = "", site.plan.site.via, {site.plan.site.key}
    while via is not None and via in sites and via not in passed:
        repeater = sites[via]
        if repeater.is_silent:
            name = repeater.plan.site.name
            reason = f"{name} is silent, and {site.plan.site.name} is reached through it"
        passed.add(via)
        via = repeater.plan.site.via
    return reason
