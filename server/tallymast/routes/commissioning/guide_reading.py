"""Reads what is known of a site's commissioning: scans, link tests, records, polls."""

from collections.abc import Mapping
from dataclasses import dataclass

from tallymast.domain.commissioning.duplicates import Verdict, on_wire, twins_of
from tallymast.domain.model import GatewayPlan, Profile, SitePlan, SiteStatus
from tallymast.routes.commissioning.guide_steps import Found
from tallymast.routes.commissioning.link_tests import LinkTest, link_tests
from tallymast.routes.commissioning.link_view import link_shown
from tallymast.routes.commissioning.scan_rows import ScanRow, scan_row
from tallymast.routes.commissioning.scans import Scan, scan_about, scan_with
from tallymast.routes.commissioning.switches_view import switch_row
from tallymast.routes.services import Services
from tallymast.storage import proofs


@dataclass(frozen=True, slots=True)
class Reading:
    """What is known, and the scans it comes from."""

    found: Found
    check: Scan | None
    search: Scan | None
    test: LinkTest | None

    @property
    def is_busy(self) -> bool:
        """Whether anything asked for from the guide goes on."""
        link = self.found.link
        return bool(self.found.busy) or (link is not None and not link.is_over)


def read_guide(given: Services, plan: SitePlan, profiles: Mapping[str, Profile]) -> Reading:
    """Return what is known of a site's commissioning."""
    network = given.network()
    gateway = network.gateway_of(plan.site_id)
    with given.database.reading() as connection:
        check = scan_about(connection, gateway, plan, "duplicate")
        search = scan_with(connection, gateway, plan.site.unit)
        tests = link_tests(connection, given, plan)
        known = proofs.of_site(connection, plan.site_id)
    retired = [(network.gateway_of(one.site_id), one) for one in network.retired]
    found = Found(
        switches=switch_row(plan.site.unit, profiles[plan.site.profile]),
        twins=twins_of(plan, gateway, network.gateways, retired),
        asked=_asked(check, plan),
        heard=_heard(given, search, gateway, plan, profiles),
        answers=_answers(given, plan),
        link=link_shown(tests),
        proofs=known,
        busy=_busy(check, search, plan),
    )
    return Reading(found, check, search, tests[0] if tests else None)


def _asked(check: Scan | None, plan: SitePlan) -> Verdict | None:
    heard = check.of_unit(plan.site.unit) if check else None
    return on_wire(heard, bool(check.about.get("on"))) if check and heard else None


def _heard(
    given: Services,
    search: Scan | None,
    gateway: GatewayPlan,
    plan: SitePlan,
    profiles: Mapping[str, Profile],
) -> ScanRow | None:
    heard = search.of_unit(plan.site.unit) if search else None
    if search is None or heard is None:
        return None
    return scan_row(search, heard, given.network(), gateway.gateway.key, profiles)


def _busy(check: Scan | None, search: Scan | None, plan: SitePlan) -> frozenset[str]:
    """Return the letters of steps whose asking goes on; a long scan is the gateway's, not ours."""
    letters = {
        "a": check is not None and not check.is_over,
        "b": search is not None and not search.is_over and search.about.get("site") == plan.site_id,
    }
    return frozenset(letter for letter, goes_on in letters.items() if goes_on)


def _answers(given: Services, plan: SitePlan) -> bool:
    state = given.live.sites().get(plan.site_id)
    if state is None or state.last_answer_ms is None or not plan.is_polled:
        return False
    return state.status in (SiteStatus.IN_SERVICE, SiteStatus.MAINTENANCE)
