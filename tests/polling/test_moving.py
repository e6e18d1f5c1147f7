"""A site is renamed, rescaled and moved to another gateway while polling goes on undisturbed."""

import asyncio
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from random import Random

import pytest
from tests.polling.conftest import GATEWAY, HandedWork, KeptOutlet, plan_of, site
from tests.polling.test_poller import all_answer

from tallymast.benches.virtual import MemoryPort, Reply, VirtualClock, run_virtual
from tallymast.domain.model import (
    Act,
    Gateway,
    GatewayPlan,
    Job,
    JobState,
    Outcome,
    PollPlan,
    Site,
    SiteState,
    SiteStatus,
)
from tallymast.polling.poller import Poller

BEGIN_S = 1000.0
Script = Callable[[bytes, float], Iterable[Reply]]


def of_two(first: list[Site], second: list[Site]) -> PollPlan:
    """Return a plan of two gateways; a site's id is its unit address."""
    one, other = plan_of(*first).gateways[0], plan_of(*second).gateways[0]
    far = replace(GATEWAY, key="far", name="Far mast", address="in memory:2")
    return PollPlan(1, (one, GatewayPlan(2, far, other.sites)))


@dataclass
class Run:
    """What happened: the ports by gateway, and the poller, to be asked something in between."""

    ports: dict[str, list[MemoryPort]] = field(default_factory=dict)

    def asked(self, gateway: str, unit: int) -> list[float]:
        return [
            at - BEGIN_S
            for port in self.ports.get(gateway, [])
            for at, frame in port.sent
            if frame[0] == unit and frame[1] == 4
        ]


def run_through(
    seconds: float,
    plans: list[tuple[float, PollPlan]],
    outlet: KeptOutlet,
    scripts: dict[str, Script] | None = None,
    states: dict[int, SiteState] | None = None,
    during: list[tuple[float, Callable[[Run], None]]] | None = None,
    work: HandedWork | None = None,
) -> Run:
    """Poll by the first plan, and by each further one from its second on."""
    run = Run()

    def port(gateway: Gateway) -> MemoryPort:
        script = (scripts or {}).get(gateway.key, all_answer)
        run.ports.setdefault(gateway.key, []).append(MemoryPort(script, gateway.name))
        return run.ports[gateway.key][-1]

    async def main() -> None:
        loop = asyncio.get_running_loop()
        poller = Poller(
            plans[0][1],
            states or {},
            outlet,
            work or HandedWork(),
            VirtualClock(),
            port,
            Random(1),
        )
        running = asyncio.ensure_future(poller.run())
        for at_s, plan in plans[1:]:
            loop.call_at(BEGIN_S + at_s, poller.revise, plan)
        for at_s, act in during or []:
            loop.call_at(BEGIN_S + at_s, act, run)
        await asyncio.sleep(seconds)
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)

    run_virtual(main())
    return run


def counted(outlet: KeptOutlet, site_id: int) -> None:
    """Assert that a site's counts are those of the polls handed up, one by one."""
    asked = answered = 0
    hour = None
    for one in outlet.of(site_id):
        if one.state.hour_ms != hour:
            hour, asked, answered = one.state.hour_ms, 0, 0
        if one.poll.outcome is not Outcome.GATEWAY_LOST:
            asked += 1
            answered += one.poll.outcome.is_answered
        assert (one.state.hour_counts.asked, one.state.hour_counts.answered) == (asked, answered)


BEFORE = of_two([site(1, 10.0), site(2, 10.0)], [site(11, 10.0)])
AFTER = of_two([site(1, 10.0)], [site(11, 10.0), site(2, 10.0)])


@pytest.mark.parametrize("at_s", [60.0, 60.02, 61.3, 65.0, 66.23])
def test_a_moved_site_is_asked_through_its_new_gateway_alone(
    outlet: KeptOutlet, at_s: float
) -> None:
    run = run_through(200.0, [(0.0, BEFORE), (at_s, AFTER)], outlet)
    assert max(run.asked("mast", 2)) <= at_s
    assert min(run.asked("far", 2)) == pytest.approx(at_s, abs=0.3)
    assert {one.poll.outcome for one in outlet.done} == {Outcome.FIRST_TRY}
    times = [one.poll.at_ms for one in outlet.of(2)]
    assert times == sorted(set(times))
    assert {one.poll.words[:2] for one in outlet.of(2)} == {b"\x00\xc8"}  # 100 x unit 2
    for number in (1, 2, 11):
        counted(outlet, number)


def test_nobody_else_notices_the_move(outlet: KeptOutlet) -> None:
    calm = run_through(200.0, [(0.0, BEFORE)], KeptOutlet())
    run = run_through(200.0, [(0.0, BEFORE), (60.0, AFTER)], outlet)
    assert all(len(ports) == 1 and len(ports[0].opened) == 1 for ports in run.ports.values())
    for gateway, unit in (("mast", 1), ("far", 11)):
        pairs = zip(run.asked(gateway, unit), calm.asked(gateway, unit), strict=True)
        assert all(abs(now - before) <= 0.17 for now, before in pairs)  # one visit of two blocks


def test_a_moved_site_keeps_its_state_its_counts_and_its_comm_fail(outlet: KeptOutlet) -> None:
    def deaf(frame: bytes, now: float) -> Iterable[Reply]:
        return [] if frame[0] == 2 and now > BEGIN_S + 100.0 else all_answer(frame, now)

    moved_s = 1000.0
    scripts = {"mast": deaf}
    run = run_through(1100.0, [(0.0, BEFORE), (moved_s, AFTER)], outlet, scripts)
    mine = outlet.of(2)
    before = [one for one in mine if one.poll.outcome is Outcome.NO_ANSWER][-1].state
    after = next(one for one in mine if one.poll.at_ms > before.last_poll_ms).state  # type: ignore[operator]
    assert before.status is SiteStatus.COMM_FAIL
    assert before.last_answer_ms is not None
    # It answers at once behind the new gateway, and comes back as any failed site does.
    assert min(run.asked("far", 2)) == pytest.approx(moved_s, abs=0.3)
    assert after.status is SiteStatus.COMM_FAIL
    assert after.good_in_row == 1
    assert after.since_ms == before.since_ms
    assert mine[-1].state.status is SiteStatus.IN_SERVICE
    assert SiteStatus.NEVER_ANSWERED not in {one.state.status for one in mine[1:]}
    counted(outlet, 2)


def test_a_site_leaves_an_unreachable_gateway_and_is_asked_at_once(outlet: KeptOutlet) -> None:
    def fall(run: Run) -> None:
        run.ports["mast"][0].refuses = True
        run.ports["mast"][0].hear(None)

    run = run_through(300.0, [(0.0, BEFORE), (150.0, AFTER)], outlet, during=[(60.0, fall)])
    assert min(run.asked("far", 2)) == pytest.approx(150.0, abs=0.3)
    lost = [one for one in outlet.of(2) if one.poll.outcome is Outcome.GATEWAY_LOST]
    assert 7 <= len(lost) <= 10  # every 10 s from 60 to 150
    assert outlet.of(2)[-1].state.status is SiteStatus.IN_SERVICE
    assert outlet.of(1)[-1].state.status is SiteStatus.UNREACHABLE
    counted(outlet, 2)


def test_a_site_that_moves_behind_an_unreachable_gateway_is_lost_to_it(
    outlet: KeptOutlet,
) -> None:
    def fall(run: Run) -> None:
        run.ports["far"][0].refuses = True
        run.ports["far"][0].hear(None)

    run_through(200.0, [(0.0, BEFORE), (100.0, AFTER)], outlet, during=[(60.0, fall)])
    outcomes = [one.poll.outcome for one in outlet.of(2)]
    assert outcomes[-1] is Outcome.GATEWAY_LOST
    assert outcomes.count(Outcome.GATEWAY_LOST) == pytest.approx(10, abs=1)
    assert outlet.of(2)[-1].state.status is SiteStatus.UNREACHABLE
    counted(outlet, 2)


def test_a_site_under_question_moves_when_that_is_over(outlet: KeptOutlet) -> None:
    def slow(frame: bytes, now: float) -> Iterable[Reply]:
        return [(0.9 if frame[0] == 2 else 0.08, next(iter(all_answer(frame, now)))[1])]

    run = run_through(100.0, [(0.0, BEFORE), (1.5, AFTER)], outlet, {"mast": slow, "far": slow})
    # Its first visit on the old gateway is still open at 1.5 s: two exchanges of 0.9 s.
    first = outlet.of(2)[0]
    assert first.poll.got
    begun = min(run.asked("far", 2))
    assert begun * 1000 >= first.poll.at_ms - VirtualClock().offset_ms - 1
    assert begun < 3.5
    counted(outlet, 2)


def test_sites_may_trade_gateways(outlet: KeptOutlet) -> None:
    swapped = of_two([site(11, 10.0)], [site(1, 10.0), site(2, 10.0)])
    run = run_through(150.0, [(0.0, BEFORE), (50.0, swapped), (100.0, BEFORE)], outlet)
    for number in (1, 2, 11):
        counted(outlet, number)
        assert len(outlet.of(number)) >= 14
    assert [at for at in run.asked("mast", 11) if not 50.0 <= at <= 100.2] == []
    assert {one.poll.outcome for one in outlet.done} == {Outcome.FIRST_TRY}


def test_a_site_moves_with_its_gateways_new_wire(outlet: KeptOutlet) -> None:
    elsewhere = replace(
        AFTER,
        gateways=tuple(
            replace(one, gateway=replace(one.gateway, address=f"{one.gateway.address}0"))
            for one in AFTER.gateways
        ),
    )
    run = run_through(200.0, [(0.0, BEFORE), (60.0, elsewhere)], outlet)
    assert {key: len(ports) for key, ports in run.ports.items()} == {"mast": 2, "far": 2}
    for number in (1, 2, 11):
        counted(outlet, number)
        assert outlet.of(number)[-1].poll.at_ms > VirtualClock().offset_ms + 180_000
    assert max(run.asked("mast", 2)) <= 60.0


def test_a_gateway_whose_wire_changes_twice_at_once_is_polled_once(outlet: KeptOutlet) -> None:
    def wired(address: str) -> PollPlan:
        return plan_of(site(1, 10.0), gateway=replace(GATEWAY, address=address))

    plans = [(0.0, wired("a")), (30.0, wired("b")), (30.0, wired("c")), (30.01, wired("d"))]
    run_through(100.0, plans, outlet)
    counted(outlet, 1)
    assert 9 <= len(outlet.of(1)) <= 13


def test_a_renamed_and_rescaled_site_is_polled_as_if_nothing_had_been(outlet: KeptOutlet) -> None:
    plan = plan_of(site(1, 10.0), site(2, 10.0))
    gateway = plan.gateways[0]
    old = gateway.sites[1]
    points = tuple(replace(one, raw=(0.0, 10.0), value=(0.0, 1.0)) for one in old.site.points)
    other = replace(old, site=replace(old.site, key="weir", name="Weir", points=points))
    renamed = replace(plan, gateways=(replace(gateway, sites=(gateway.sites[0], other)),))
    calm = run_through(200.0, [(0.0, plan)], KeptOutlet())
    run = run_through(200.0, [(0.0, plan), (65.0, renamed)], outlet)
    for unit in (1, 2):
        assert run.asked("mast", unit) == calm.asked("mast", unit)
        counted(outlet, unit)


def test_a_site_that_comes_back_from_rest_keeps_what_was_known(outlet: KeptOutlet) -> None:
    sites = BEFORE.gateways[0].sites
    resting = (sites[0], replace(sites[1], act=Act.NOT_POLLED))
    rested = replace(
        BEFORE, gateways=(replace(BEFORE.gateways[0], sites=resting), BEFORE.gateways[1])
    )
    run_through(300.0, [(0.0, BEFORE), (60.0, rested), (200.0, AFTER)], outlet)
    counted(outlet, 2)
    assert outlet.of(2)[-1].state.since_ms == outlet.of(2)[0].state.since_ms


def test_work_asked_of_a_site_on_the_move_is_answered_or_refused(outlet: KeptOutlet) -> None:
    work = HandedWork([Job(n, "poll", 2, None, "ada", 0) for n in range(1, 4)])
    work.jobs.append(Job(4, "link-test", 2, None, "ada", 0, params={"polls": 200}))

    def more(_run: Run) -> None:
        work.jobs.append(Job(9, "poll", 2, None, "ada", 0))

    run_through(100.0, [(0.0, BEFORE), (20.0, AFTER)], outlet, work=work, during=[(19.95, more)])
    over = {job for job, state, _ in outlet.jobs if state in (JobState.DONE, JobState.FAILED)}
    assert over == {1, 2, 3, 4, 9}
    said = [said for job, state, said in outlet.jobs if job == 4][-1]
    assert "Site 2 is not polled here any more" in said


def test_sites_may_trade_unit_addresses_in_the_middle_of_a_visit(outlet: KeptOutlet) -> None:
    before = plan_of(site(1, 10.0), site(2, 10.0))
    gateway = before.gateways[0]
    traded = tuple(
        replace(one, site=replace(one.site, unit=3 - one.site.unit)) for one in gateway.sites
    )
    after = replace(before, gateways=(replace(gateway, sites=traded),))
    heard: list[int] = []

    def script(frame: bytes, now: float) -> Iterable[Reply]:
        heard.append(frame[0])  # the first question to unit 1 is lost: its visit waits for a retry
        return [] if heard.count(1) == 1 and frame[0] == 1 else all_answer(frame, now)

    run_through(60.0, [(0.0, before), (2.5, after)], outlet, {"mast": script})
    # A register holds 100 x the unit it came from: by then site 1 is at unit 2.
    assert {one.poll.words[:2] for one in outlet.of(1)} == {b"\x00\xc8"}
    counted(outlet, 1)
    counted(outlet, 2)
