"""Sites that are silent now by one cause that no path explains."""

from tests.domain.health.test_judged import a_gateway

from tallymast.domain.health.together import SilentTogether, silent_together
from tallymast.domain.model import GatewayPlan, SitePlan, SiteState, SiteStatus

NOW = 1_772_964_000_000
MINUTE = 60_000


def a_state(plan: SitePlan, silent_min: int | None) -> SiteState:
    last = NOW if silent_min is None else NOW - silent_min * MINUTE - MINUTE
    first = None if silent_min is None else NOW - silent_min * MINUTE
    status = SiteStatus.IN_SERVICE if silent_min is None else SiteStatus.COMM_FAIL
    missed = 0 if silent_min is None else silent_min
    return SiteState(
        plan.site_id,
        status,
        first or 0,
        plan.site_id,
        NOW,
        last,
        missed_in_row=missed,
        first_miss_ms=first,
    )


def found(gateway: GatewayPlan, silent: dict[int, int]) -> list[SilentTogether]:
    states = {plan.site_id: a_state(plan, silent.get(plan.site_id)) for plan in gateway.sites}
    mute = [(plan, states[plan.site_id]) for plan in gateway.sites if plan.site_id in silent]
    return silent_together(gateway, mute, list(states.values()))


def test_most_of_a_mast_at_once_is_the_masts_cause() -> None:
    gateway = a_gateway(*range(0, 360, 36))
    (one,) = found(gateway, dict.fromkeys(range(1, 8), 20))
    assert one.bearing_deg is None
    assert len(one.sites) == 7


def test_four_of_twelve_in_one_direction_are_one_cause() -> None:
    gateway = a_gateway(*(30 * n for n in range(8)), 241, 250, 258, 262)
    (one,) = found(gateway, {9: 20, 10: 20, 11: 20, 12: 20})
    assert one.bearing_deg is not None
    assert [round(b) for b in one.bearing_deg] == [241, 262]


def test_two_are_chance_and_different_times_are_different_causes() -> None:
    gateway = a_gateway(*(30 * n for n in range(8)), 241, 250, 258, 262)
    assert found(gateway, {9: 20, 10: 20}) == []
    assert found(gateway, {9: 20, 10: 90, 11: 300, 12: 900}) == []
