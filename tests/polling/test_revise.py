"""Another plan while polling goes on: nothing is dropped, nobody waits, words keep their layout."""

import asyncio
from collections.abc import Iterable
from dataclasses import replace
from random import Random

import pytest
from tests.polling.conftest import GATEWAY, HandedWork, KeptOutlet, plan_of, site
from tests.polling.test_poller import Script, all_answer, framed

from tallymast.benches.virtual import MemoryPort, Reply, VirtualClock, run_virtual
from tallymast.domain.modbus.blocks import site_layout
from tallymast.domain.model import (
    Act,
    Block,
    Outcome,
    Point,
    PointKind,
    PollFlag,
    PollPlan,
    SitePlan,
    Table,
    WordLayout,
)
from tallymast.polling.poller import Poller

BEGIN_S = 1000.0


def poll_through(
    seconds: float,
    plans: list[tuple[float, PollPlan]],
    outlet: KeptOutlet,
    script: Script = all_answer,
) -> list[MemoryPort]:
    """Poll by the first plan, and by each further one from its second on; return the ports."""
    ports: list[MemoryPort] = []

    def port(_gateway: object) -> MemoryPort:
        ports.append(MemoryPort(script))
        return ports[-1]

    async def main() -> None:
        poller = Poller(plans[0][1], {}, outlet, HandedWork(), VirtualClock(), port, Random(1))
        running = asyncio.ensure_future(poller.run())
        for at_s, plan in plans[1:]:
            asyncio.get_running_loop().call_at(BEGIN_S + at_s, poller.revise, plan)
        await asyncio.sleep(seconds)
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)

    run_virtual(main())
    return ports


def changed(plan: PollPlan, site_id: int, **more: object) -> PollPlan:
    gateway = plan.gateways[0]
    sites = tuple(
        replace(one, **more) if one.site_id == site_id else one  # type: ignore[arg-type]
        for one in gateway.sites
    )
    return replace(
        plan, revision_id=plan.revision_id + 1, gateways=(replace(gateway, sites=sites),)
    )


def asked(port: MemoryPort, unit: int) -> list[float]:
    return [at - BEGIN_S for at, frame in port.sent if frame[0] == unit and frame[1] == 4]


def test_a_new_site_is_polled_at_once_and_nobody_else_moves(outlet: KeptOutlet) -> None:
    few = plan_of(site(1, 10.0), site(2, 10.0))
    more = plan_of(site(1, 10.0), site(2, 10.0), site(3, 10.0))
    undisturbed = poll_through(200.0, [(0.0, few)], KeptOutlet())[0]
    (port,) = poll_through(200.0, [(0.0, few), (55.0, more)], outlet)
    assert len(port.opened) == 1  # no connection was dropped
    assert asked(port, 3)[0] == pytest.approx(55.0, abs=0.3)
    for unit in (1, 2):
        pairs = zip(asked(port, unit), asked(undisturbed, unit), strict=True)
        assert all(abs(now - before) <= 0.1 for now, before in pairs)  # one exchange at most


def test_a_removed_site_is_asked_no_more(outlet: KeptOutlet) -> None:
    both, one = plan_of(site(1, 10.0), site(2, 10.0)), plan_of(site(1, 10.0))
    (port,) = poll_through(120.0, [(0.0, both), (60.0, one)], outlet)
    assert max(asked(port, 2)) < 60.1
    assert max(asked(port, 1)) > 110.0


def test_a_shorter_period_is_kept_from_then_on(outlet: KeptOutlet) -> None:
    slow, fast = plan_of(site(1, 60.0)), plan_of(site(1, 5.0))
    (port,) = poll_through(300.0, [(0.0, slow), (100.0, fast)], outlet)
    later = [at for at in asked(port, 1) if at > 106.0]
    assert len(later) == pytest.approx(39, abs=2)


def test_a_poll_carries_the_layout_it_was_asked_by(outlet: KeptOutlet) -> None:
    plan = plan_of(site(1, 10.0))
    old = plan.gateways[0].sites[0]
    blocks = (Block(Table.INPUT, 0, 2),)
    points = (
        Point("LVL", "Level", PointKind.ANALOG_INPUT, Table.INPUT, 0, WordLayout.UINT16),
        Point("TMP", "Box", PointKind.TEMPERATURE, Table.INPUT, 1, WordLayout.UINT16),
    )
    layout = site_layout(77, 1, points, {"LVL": 1, "TMP": 3}, blocks)
    other = changed(plan, 1, layout=layout, site=replace(old.site, points=points))
    poll_through(100.0, [(0.0, plan), (50.05, other)], outlet)
    polls = [one.poll for one in outlet.done]
    assert {poll.layout_id for poll in polls} == {old.layout.id, 77}
    for poll in polls:
        assert len(poll.words) == (4 if poll.layout_id == 77 else 2 * poll.got.bit_count())
    last = outlet.done[-1].state
    assert last.layout_id == 77
    assert last.block_words[0] == bytes([0, 100, 0, 100])


def test_only_another_wire_is_connected_anew(outlet: KeptOutlet) -> None:
    plan = plan_of(site(1, 10.0))
    slower = replace(GATEWAY, reply_timeout_s=3.0, min_gap_ms=80.0)
    elsewhere = replace(GATEWAY, address="in memory:2")
    ports = poll_through(
        200.0,
        [
            (0.0, plan),
            (60.0, plan_of(site(1, 10.0), gateway=slower)),
            (120.0, plan_of(site(1, 10.0), gateway=elsewhere)),
        ],
        outlet,
    )
    assert len(ports) == 2
    assert max(asked(ports[0], 1)) < 120.1
    assert min(asked(ports[1], 1)) > 120.0
    assert {one.poll.outcome for one in outlet.done} == {Outcome.FIRST_TRY}


def test_a_gateway_that_comes_and_goes(outlet: KeptOutlet) -> None:
    first = plan_of(site(1, 10.0))
    second = plan_of(site(2, 10.0)).gateways[0]
    both = replace(first, gateways=(*first.gateways, replace(second, gateway_id=2)))
    ports = poll_through(180.0, [(0.0, first), (60.0, both), (120.0, first)], outlet)
    assert len(ports) == 2
    assert min(asked(ports[1], 2)) > 60.0
    assert max(asked(ports[1], 2)) < 120.1
    assert max(asked(ports[0], 1)) > 170.0


# --- what people said of a site -----------------------------------------------------------------


def test_maintenance_is_polled_and_marked_and_counts_for_nothing(outlet: KeptOutlet) -> None:
    plan = plan_of(site(1, 10.0))
    kept = changed(plan, 1, act=Act.MAINTENANCE)
    (port,) = poll_through(100.0, [(0.0, plan), (50.0, kept)], outlet)
    assert max(asked(port, 1)) > 90.0
    marked = [bool(one.poll.flags & PollFlag.MAINTENANCE) for one in outlet.done]
    assert marked == sorted(marked)
    assert any(marked)
    before = [one for one in outlet.done if not one.poll.flags & PollFlag.MAINTENANCE]
    assert outlet.done[-1].state.hour_counts.first_try == len(before)


def test_not_polled_ends_polling_and_comes_back_with_a_full_poll(outlet: KeptOutlet) -> None:
    plan = plan_of(site(1, 10.0), site(2, 10.0))
    off = changed(plan, 1, act=Act.NOT_POLLED)
    (port,) = poll_through(180.0, [(0.0, plan), (60.0, off), (120.0, plan)], outlet)
    mine = asked(port, 1)
    assert not [at for at in mine if 60.1 < at < 120.0]
    assert next(at for at in mine if at > 120.0) == pytest.approx(120.0, abs=0.3)
    assert len(asked(port, 2)) >= 17


# --- registers a station does not have ----------------------------------------------------------


def wide_plan() -> PollPlan:
    """One site with three points in one block of six registers, one of them between two others."""
    points = tuple(
        Point(tag, tag, PointKind.ANALOG_INPUT, Table.INPUT, register, WordLayout.UINT16)
        for tag, register in (("A", 0), ("B", 2), ("C", 5))
    )
    plan = plan_of(site(1, 10.0), site(2, 10.0))
    old = plan.gateways[0].sites[0]
    layout = site_layout(1, 1, points, {"A": 1, "B": 2, "C": 3}, (Block(Table.INPUT, 0, 6),))
    return changed(plan, 1, layout=layout, site=replace(old.site, points=points))


def without(*missing: int) -> Script:
    """A station without some registers: reading any of them draws exception 02."""

    def script(frame: bytes, now: float) -> Iterable[Reply]:
        start, count = int.from_bytes(frame[2:4], "big"), int.from_bytes(frame[4:6], "big")
        if frame[0] == 1 and any(start <= one < start + count for one in missing):
            return [(0.05, framed(bytes([1, frame[1] | 0x80, 2])))]
        return all_answer(frame, now)

    return script


def test_a_refused_register_is_found_and_told_once_with_its_tag(outlet: KeptOutlet) -> None:
    poll_through(100.0, [(0.0, wide_plan())], outlet, without(2))
    assert outlet.refusals == [(1, 1, ("B",), False)]


def test_a_refused_gap_is_told_apart_from_a_refused_point(outlet: KeptOutlet) -> None:
    poll_through(100.0, [(0.0, wide_plan())], outlet, without(3))
    assert outlet.refusals == [(1, 1, (), True)]


def test_the_search_hardly_delays_the_others(outlet: KeptOutlet) -> None:
    calm = poll_through(100.0, [(0.0, wide_plan())], KeptOutlet())[0]
    (port,) = poll_through(100.0, [(0.0, wide_plan())], outlet, without(2))
    delays = [now - before for now, before in zip(asked(port, 2), asked(calm, 2), strict=True)]
    assert max(delays) < 0.8  # two short exchanges, each after a moment of quiet


def test_without_the_refused_point_everything_else_is_read(outlet: KeptOutlet) -> None:
    plan = wide_plan()
    one: SitePlan = plan.gateways[0].sites[0]
    points = tuple(point for point in one.site.points if point.tag != "B")
    blocks = (Block(Table.INPUT, 0, 1), Block(Table.INPUT, 5, 1))
    layout = site_layout(9, 1, points, {"A": 1, "C": 3}, blocks)
    reduced = changed(plan, 1, layout=layout, refused=("B",))
    poll_through(100.0, [(0.0, plan), (40.0, reduced)], outlet, without(2))
    last = [one.poll for one in outlet.done if one.poll.site_id == 1][-1]
    assert last.outcome is Outcome.FIRST_TRY
    assert PollFlag.REFUSED not in last.flags
    assert last.got == 0b11
