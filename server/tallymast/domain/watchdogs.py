"""Which outputs fall back by themselves when a station is not polled: its watchdog's work.

Pure: plans, newest states and instants come in as arguments.
"""

from dataclasses import dataclass

from tallymast.domain.model import Point, PointKind, SitePlan, SiteState
from tallymast.domain.readings import readings


@dataclass(frozen=True, slots=True)
class Falling:
    """An output, where it is, to what it falls back, and how long after the last poll [s]."""

    plan: SitePlan
    point: Point
    to: str
    after_s: float


def falling(plan: SitePlan) -> tuple[Falling, ...]:
    """Return the outputs of a site that do not hold when nobody asks."""
    return tuple(
        Falling(plan, point, point.fail_safe.state, point.fail_safe.after_s)
        for point in plan.site.points
        if point.fail_safe is not None and point.fail_safe.state != "hold"
    )


def at_stake(plan: SitePlan, state: SiteState | None) -> tuple[Falling, ...]:
    """Return the outputs that would change by falling back, by the newest that is known of them."""
    shown = _shown(plan, state)
    return tuple(one for one in falling(plan) if shown.get(one.point.tag) is (one.to != "on"))


def fallen(plan: SitePlan, state: SiteState | None, now_ms: int) -> tuple[Falling, ...]:
    """Return the outputs that will have fallen back since the site was polled last."""
    if state is None or state.last_poll_ms is None:
        return ()
    away_s = (now_ms - state.last_poll_ms) / 1000
    return tuple(one for one in at_stake(plan, state) if away_s > one.after_s)


def _shown(plan: SitePlan, state: SiteState | None) -> dict[str, bool]:
    """Return which outputs were on when they were read last."""
    if state is None or state.layout_id != plan.layout.id:
        return {}
    outputs = {point.tag for point in plan.site.points if point.kind is PointKind.DISCRETE_OUTPUT}
    newest_ms = state.last_poll_ms or 0
    found = readings(
        plan.layout, state.block_words, state.block_ms, state.suspect_blocks, newest_ms, 10**12
    )
    return {
        one.tag: bool(one.value) for one in found if one.tag in outputs and one.value is not None
    }
