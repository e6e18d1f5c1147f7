"""Finds what an address of the API names, or says that it is not there."""

from difflib import get_close_matches

from tallymast.domain.model import GatewayPlan, Point, SitePlan
from tallymast.routes.problems import Problem
from tallymast.routes.services import NetworkView


def the_site(network: NetworkView, key: str) -> SitePlan:
    """Return the site with this key.

    Raises:
        Problem: 404, with the nearest key there is.

    """
    found = network.site(key)
    if found is None:
        keys = [site.site.key for site in network.sites]
        raise Problem(404, f"There is no site {key!r}.{_nearest(key, keys)}")
    return found


def any_site(network: NetworkView, key: str) -> SitePlan:
    """Return the site with this key; one that is retired too: its history is still there.

    Raises:
        Problem: 404, with the nearest key there is.

    """
    return network.site_or_retired(key) or the_site(network, key)


def the_gateway(network: NetworkView, key: str) -> GatewayPlan:
    """Return the gateway with this key.

    Raises:
        Problem: 404, with the nearest key there is.

    """
    found = network.gateway(key)
    if found is None:
        keys = [one.gateway.key for one in network.gateways]
        raise Problem(404, f"There is no gateway {key!r}.{_nearest(key, keys)}")
    return found


def the_point(plan: SitePlan, tag: str) -> Point:
    """Return the site's point with this tag.

    Raises:
        Problem: 404, with the nearest tag there is.

    """
    found = plan.site.point(tag)
    if found is None:
        tags = [point.tag for point in plan.site.points]
        raise Problem(404, f"{plan.site.name} has no point {tag!r}.{_nearest(tag, tags)}")
    return found


def _nearest(word: str, known: list[str]) -> str:
    near = get_close_matches(word, known, n=1)
    return f" Did you mean {near[0]!r}?" if near else ""
