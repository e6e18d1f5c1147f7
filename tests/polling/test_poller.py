"""The poller on a virtual clock: order, retries, probes, gateway loss, jobs; nothing sleeps."""

import asyncio
from collections.abc import Callable, Iterable
from dataclasses import replace
from itertools import pairwise
from random import Random

import pytest
from crccheck.crc import Crc16Modbus
from tests.polling.conftest import HandedWork, KeptOutlet, plan_of, site

from tallymast.benches.virtual import MemoryPort, Reply, VirtualClock, run_virtual
from tallymast.domain.model import (
    GatewayStatus,
    Job,
    JobState,
    Outcome,
    Point,
    PointKind,
    Poll,
    PollFlag,
    PollPlan,
    SiteState,
    SiteStatus,
    Table,
    WordLayout,
)
from tallymast.polling.poller import Poller

Script = Callable[[bytes, float], Iterable[Reply]]


def framed(body: bytes) -> bytes:
    # The CRC by a library of others, low byte first (MODBUS over Serial Line V1.02 §6.2.2).
    return body + Crc16Modbus.calc(body).to_bytes(2, "little")


def answer(frame: bytes) -> bytes:
    """Every register of a unit holds 100 x its unit address."""
    unit, function, count = frame[0], frame[1], int.from_bytes(frame[4:6], "big")
    return framed(bytes([unit, function, 2 * count]) + (100 * unit).to_bytes(2, "big") * count)


def all_answer(frame: bytes, _now: float) -> Iterable[Reply]:
    return [(0.08, answer(frame))]


def silent(*units: int) -> Script:
    def script(frame: bytes, now: float) -> Iterable[Reply]:
        return [] if frame[0] in units else all_answer(frame, now)

    return script


def polled_for(
    seconds: float,
    plan: PollPlan,
    outlet: KeptOutlet,
    script: Script = all_answer,
    work: HandedWork | None = None,
    states: dict[int, SiteState] | None = None,
    during: Callable[[MemoryPort], None] | None = None,
) -> MemoryPort:
    """Poll for some virtual seconds; return the port with all that was sent."""
    port = MemoryPort(script)

    async def main() -> None:
        poller = Poller(
            plan,
            states or {},
            outlet,
            work or HandedWork(),
            VirtualClock(),
            lambda _: port,
            Random(1),
        )
        running = asyncio.ensure_future(poller.run())
        if during is not None:
            asyncio.get_running_loop().call_later(seconds / 2, during, port)
        await asyncio.sleep(seconds)
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)

    run_virtual(main())
    return port


def test_every_site_in_service_is_polled_once_at_the_start(outlet: KeptOutlet) -> None:
    plan = plan_of(site(1), site(2), site(3, in_service=False), site(4))
    polled_for(4.0, plan, outlet)
    assert [one.poll.site_id for one in outlet.done] == [1, 2, 4]
    assert {one.poll.outcome for one in outlet.done} == {Outcome.FIRST_TRY}


def test_the_first_poll_brings_slow_points_too_and_later_ones_do_not(outlet: KeptOutlet) -> None:
    polled_for(200.0, plan_of(site(1)), outlet)
    assert outlet.done[0].poll.got == 0b11
    assert {one.poll.got for one in outlet.done[1:]} == {0b01}
    assert outlet.done[-1].state.block_words == (b"\x00\x64", b"\x00\x64")
    assert outlet.done[-1].state.block_ms[1] == outlet.done[0].poll.at_ms


def test_periods_are_held(outlet: KeptOutlet) -> None:
    polled_for(605.0, plan_of(site(1, 10.0), site(2, 60.0)), outlet)
    assert len(outlet.of(1)) == pytest.approx(60, abs=2)
    assert len(outlet.of(2)) == pytest.approx(11, abs=1)


def test_nothing_is_sent_while_an_answer_is_awaited(outlet: KeptOutlet) -> None:
    port = polled_for(120.0, plan_of(*(site(n, 5.0) for n in range(1, 9))), outlet, silent(3))
    times = [at for at, _ in port.sent]
    units = [frame[0] for _, frame in port.sent]
    for n in range(1, len(times)):
        waited = times[n] - times[n - 1]
        assert waited >= (1.0 if units[n - 1] == 3 else 0.08) - 1e-9


def test_a_missed_poll_is_tried_again_behind_the_others_a_second_later(outlet: KeptOutlet) -> None:
    port = polled_for(8.0, plan_of(site(1), site(2), site(3)), outlet, silent(1))
    sent = [(round(at - port.sent[0][0], 2), frame[0]) for at, frame in port.sent]
    first, second, third = [at for at, unit in sent if unit == 1][:3]
    assert second >= first + 1.0 + 1.0  # its timeout, then a second
    assert third >= second + 2.0
    assert {unit for at, unit in sent if first < at < second} == {2, 3}
    missed = outlet.of(1)[0].poll
    assert (missed.outcome, missed.tries, missed.got) == (Outcome.NO_ANSWER, 3, 0)


def test_one_lost_answer_neither_starves_a_block_nor_counts_as_many_misses(
    outlet: KeptOutlet,
) -> None:
    # Two blocks whose answers look alike, polled more often than once a quarantine (5 s).
    far = Point("FAR", "Far", PointKind.ANALOG_INPUT, Table.INPUT, 500, WordLayout.UINT16)
    lost: list[float] = []

    def script(frame: bytes, now: float) -> Iterable[Reply]:
        if not lost:
            lost.append(now)
            return []
        return all_answer(frame, now)

    one = site(1, 2.0)
    polled_for(120.0, plan_of(replace(one, points=(one.points[0], far))), outlet, script)
    polls = [done.poll for done in outlet.done]
    # The first is asked, stays without an answer and is given up when the next falls due.
    assert [poll.outcome for poll in polls].count(Outcome.NO_ANSWER) == 1
    begin_ms = polls[0].at_ms
    later = [poll for poll in polls if poll.at_ms > begin_ms + 45_000]
    assert len(later) >= 30
    assert {(poll.outcome, poll.got) for poll in later} == {(Outcome.FIRST_TRY, 0b11)}


def test_only_the_first_missed_poll_in_a_row_uses_retries(outlet: KeptOutlet) -> None:
    polled_for(200.0, plan_of(site(1, 20.0), site(2, 20.0)), outlet, silent(1))
    tries = [one.poll.tries for one in outlet.of(1)]
    assert tries[0] == 3
    assert set(tries[1:]) == {1}


def test_a_dead_site_fails_after_three_misses_and_a_minute_then_is_probed_ever_less(
    outlet: KeptOutlet,
) -> None:
    polled_for(1500.0, plan_of(site(1, 10.0), site(2, 10.0)), outlet, silent(1))
    states = [one.state for one in outlet.of(1)]
    assert {one.status for one in states} == {SiteStatus.NEVER_ANSWERED}
    failed = next(n for n, one in enumerate(states) if one.probe_s is not None)
    assert states[failed].missed_in_row >= 3
    assert outlet.of(1)[failed].poll.at_ms - outlet.of(1)[0].poll.at_ms >= 60_000
    times = [one.poll.at_ms / 1000 for one in outlet.of(1)[failed:]]
    pauses = [later - earlier for earlier, later in pairwise(times)]
    assert pauses[0] == pytest.approx(20, abs=3)
    assert pauses[1] == pytest.approx(40, abs=4)
    assert max(pauses) <= 300 + 15
    assert all(PollFlag.PROBE in one.poll.flags for one in outlet.of(1)[failed + 1 :])


def test_the_living_are_polled_on_time_beside_the_dead(outlet: KeptOutlet) -> None:
    sites = [site(n, 10.0) for n in range(1, 13)]
    polled_for(900.0, plan_of(*sites), outlet, silent(2, 5, 9))
    late = [one for one in outlet.of(7) if one.poll.at_ms > outlet.of(7)[0].poll.at_ms + 300_000]
    gaps = [later.poll.at_ms - earlier.poll.at_ms for earlier, later in pairwise(late)]
    assert sum(gaps) / len(gaps) == pytest.approx(10_000, rel=0.02)
    assert max(gaps) < 13_000  # one probe of a second may come between


def test_a_returning_site_is_in_service_after_three_good_polls(outlet: KeptOutlet) -> None:
    dead_until = 1000.0 + 300.0  # virtual time begins at 1000

    def script(frame: bytes, now: float) -> Iterable[Reply]:
        was_good_before = now < 1000.0 + 5.0
        return all_answer(frame, now) if now > dead_until or was_good_before else []

    polled_for(700.0, plan_of(site(1, 10.0)), outlet, script)
    statuses = [one.state.status for one in outlet.of(1)]
    assert statuses[0] is SiteStatus.IN_SERVICE
    first_fail = statuses.index(SiteStatus.COMM_FAIL)
    returned = next(
        n for n in range(first_fail, len(statuses)) if outlet.of(1)[n].state.good_in_row
    )
    assert statuses[returned : returned + 3] == [
        SiteStatus.COMM_FAIL,
        SiteStatus.COMM_FAIL,
        SiteStatus.IN_SERVICE,
    ]


def test_a_repeaters_sites_are_probed_at_once_when_one_answers_again(outlet: KeptOutlet) -> None:
    plan = plan_of(
        site(1, 60.0), site(2, 60.0, via="site-1"), site(3, 60.0, via="site-1"), site(4, 60.0)
    )

    def script(frame: bytes, now: float) -> Iterable[Reply]:
        is_down = 1100.0 < now < 3000.0 and frame[0] in (1, 2, 3)
        return [] if is_down else all_answer(frame, now)

    polled_for(2600.0, plan, outlet, script)
    back: dict[int, int] = {
        unit: next(
            done.poll.at_ms
            for done in outlet.of(unit)
            if done.poll.outcome.is_answered and _after(done.poll)
        )
        for unit in (1, 2, 3)
    }
    assert max(back.values()) - min(back.values()) < 5_000


def _after(poll: Poll) -> bool:
    return poll.at_ms > VirtualClock().offset_ms + 1_990_000


def test_a_lost_gateway_is_no_sites_fault(outlet: KeptOutlet) -> None:
    def lose(port: MemoryPort) -> None:
        port.refuses = True
        port.hear(None)

    polled_for(400.0, plan_of(site(1, 10.0), site(2, 10.0)), outlet, during=lose)
    assert not [one for one in outlet.done if one.poll.outcome.is_missed]
    lost = [one for one in outlet.of(1) if one.poll.outcome is Outcome.GATEWAY_LOST]
    assert len(lost) == pytest.approx(20, abs=3)
    assert lost[-1].state.status is SiteStatus.UNREACHABLE
    assert lost[-1].state.hour_counts.asked == sum(
        one.poll.outcome is not Outcome.GATEWAY_LOST for one in outlet.of(1)
    )
    assert outlet.gateways[-1].status is GatewayStatus.UNREACHABLE
    assert "refuses the connection" in outlet.gateways[-1].sentence
    assert [kind for kind, _, to_ms in outlet.episodes if to_ms is None] == ["gateway"]


def test_reconnecting_waits_longer_each_time_half_a_minute_at_most(outlet: KeptOutlet) -> None:
    def lose(port: MemoryPort) -> None:
        port.refuses = True
        port.hear(None)

    port = polled_for(800.0, plan_of(site(1, 10.0)), outlet, during=lose)
    pauses = [b - a for a, b in zip(port.opened[1:], port.opened[2:], strict=False)]
    assert pauses[0] <= 1.0 + 0.1
    assert all(pause <= 30.1 for pause in pauses)
    assert max(pauses) > 14.0


def test_after_connecting_it_listens_before_it_asks(outlet: KeptOutlet) -> None:
    port = polled_for(5.0, plan_of(site(1)), outlet)
    assert port.sent[0][0] - port.opened[0] >= 1.0  # one reply timeout


def test_a_mute_gateway_is_told_in_a_sentence(outlet: KeptOutlet) -> None:
    polled_for(60.0, plan_of(*(site(n, 10.0) for n in range(1, 5))), outlet, silent(1, 2, 3, 4))
    assert outlet.gateways[-1].status is GatewayStatus.MUTE
    assert "an old session may hold the port" in outlet.gateways[-1].sentence


def test_a_demanded_poll_comes_first_and_tells_what_came_of_it(
    outlet: KeptOutlet, work: HandedWork
) -> None:
    def ask(_: MemoryPort) -> None:
        work.jobs.append(Job(7, "poll", 2, None, "local", 0))

    plan = plan_of(site(1, 300.0), site(2, 300.0), site(3, 300.0))
    polled_for(60.0, plan, outlet, work=work, during=ask)
    demanded = outlet.of(2)[-1].poll
    assert PollFlag.DEMAND in demanded.flags
    assert demanded.got == 0b11
    assert [state for number, state, _ in outlet.jobs if number == 7] == [
        JobState.RUNNING,
        JobState.DONE,
    ]
    assert outlet.jobs[-1][2] == "Site 2: answered at the first try in 80 ms."


def test_a_demanded_poll_of_a_dead_site_says_so(outlet: KeptOutlet, work: HandedWork) -> None:
    work.jobs.append(Job(8, "poll", 1, None, "local", 0))
    polled_for(60.0, plan_of(site(1, 300.0), site(2, 300.0)), outlet, silent(1), work=work)
    assert outlet.jobs[-1] == (8, JobState.DONE, "Site 1: no answer within 1.0 s, 3 tries.")


@pytest.mark.parametrize(
    ("job", "part"),
    [
        (Job(1, "poll", 2, None, "local", 0), "Site 2 is not polled: it is out of service."),
        (Job(1, "poll", 99, None, "local", 0), "not polled by this program"),
        (Job(1, "dance", 1, None, "local", 0), "no work of the kind 'dance'"),
    ],
)
def test_work_that_cannot_be_done_is_refused_in_a_sentence(
    job: Job, part: str, outlet: KeptOutlet, work: HandedWork
) -> None:
    work.jobs.append(job)
    polled_for(5.0, plan_of(site(1), site(2, in_service=False)), outlet, work=work)
    assert outlet.jobs == [(1, JobState.FAILED, outlet.jobs[0][2])]
    assert part in outlet.jobs[0][2]


def test_a_refused_register_leaves_the_site_answered_and_tells_the_code(outlet: KeptOutlet) -> None:
    def script(frame: bytes, now: float) -> Iterable[Reply]:
        if frame[1] == 3:  # the slow block: no such register
            return [(0.05, framed(bytes([frame[0], 0x83, 2])))]
        return all_answer(frame, now)

    polled_for(10.0, plan_of(site(1)), outlet, script)
    poll = outlet.done[0].poll
    assert poll.outcome.is_answered
    assert PollFlag.REFUSED in poll.flags
    assert (poll.code, poll.got) == (2, 0b01)
    assert outlet.done[0].state.hour_counts.refused == 1


def test_garbled_answers_are_told_apart_from_silence(outlet: KeptOutlet) -> None:
    def script(frame: bytes, now: float) -> Iterable[Reply]:
        return [(0.05, answer(frame)[:-1] + b"\x00")]

    polled_for(20.0, plan_of(site(1)), outlet, script)
    assert outlet.done[0].poll.outcome is Outcome.GARBLED


def test_what_was_known_before_a_restart_is_kept(outlet: KeptOutlet) -> None:
    first = KeptOutlet()
    polled_for(30.0, plan_of(site(1, 300.0)), first)
    known = {1: first.done[-1].state}
    polled_for(5.0, plan_of(site(1, 300.0)), outlet, silent(1), states=known)
    polled_for(40.0, plan_of(site(1, 300.0)), outlet, silent(1), states=known)
    state = outlet.done[-1].state
    assert state.status is SiteStatus.IN_SERVICE  # one miss is no failure
    assert state.block_words == known[1].block_words
    assert state.last_answer_ms == known[1].last_answer_ms


def test_asked_is_answered_and_missed(outlet: KeptOutlet) -> None:
    chance = Random(3)

    def script(frame: bytes, now: float) -> Iterable[Reply]:
        return [] if chance.random() < 0.3 else all_answer(frame, now)

    polled_for(1200.0, plan_of(*(site(n, 10.0) for n in range(1, 6))), outlet, script)
    for unit in range(1, 6):
        counts = outlet.of(unit)[-1].state.hour_counts
        polls = [one.poll for one in outlet.of(unit)]
        assert counts.asked == counts.answered + counts.missed
        assert counts.answered == sum(poll.outcome.is_answered for poll in polls)
        assert counts.missed == sum(poll.outcome.is_missed for poll in polls)
