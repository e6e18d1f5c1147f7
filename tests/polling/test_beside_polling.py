"""What goes on beside polling: desk tests, the tap on the wire, the airtime book, strangers."""

import asyncio
from collections.abc import Iterable
from dataclasses import replace
from random import Random

import pytest
from tests.polling.conftest import HandedWork, KeptOutlet, plan_of, site
from tests.polling.test_poller import all_answer, framed, polled_for, silent

from tallymast.benches.virtual import MemoryPort, Reply, VirtualClock, run_virtual
from tallymast.domain.airtime_use import AirtimeUse
from tallymast.domain.modbus.debts import Debts
from tallymast.domain.modbus.frames import stray_answers
from tallymast.domain.modbus.requests import ReadRequest
from tallymast.domain.model import GatewayStatus, Job, JobState, Table
from tallymast.domain.pacing import Pace, PacedSite, Purpose
from tallymast.polling.poller import Poller


def test_a_desk_test_is_twenty_polls_and_a_sentence(outlet: KeptOutlet, work: HandedWork) -> None:
    work.jobs.append(Job(7, "desk-test", 1, None, "local", 0))
    polled_for(300.0, plan_of(site(1), site(2)), outlet, work=work)
    states = [(state, said) for job, state, said in outlet.jobs if job == 7]
    assert states[-1][0] is JobState.DONE
    assert (
        "Site 1: 20 of 20 polls answered, 20 at the first try; answers took 80 ms"
        in (states[-1][1])
    )
    assert [state for state, _ in states].count(JobState.DONE) == 1
    assert len([state for state, _ in states if state is JobState.RUNNING]) >= 19  # it is told on


def test_a_desk_test_of_a_silent_site_ends_too(outlet: KeptOutlet, work: HandedWork) -> None:
    work.jobs.append(Job(7, "desk-test", 1, None, "local", 0))
    polled_for(900.0, plan_of(site(1), site(2)), outlet, silent(1), work=work)
    last = [one for one in outlet.jobs if one[0] == 7][-1]
    assert last[1] is JobState.DONE
    assert "0 of 20 polls answered" in last[2]
    others = [one.poll for one in outlet.of(2)]
    assert len(others) >= 14  # the neighbour was polled all the while


def test_a_desk_test_ends_with_its_gateway(outlet: KeptOutlet, work: HandedWork) -> None:
    work.jobs.append(Job(7, "desk-test", 1, None, "local", 0))

    def break_off(port: MemoryPort) -> None:
        port.refuses = True
        port.hear(None)

    polled_for(2.4, plan_of(site(1)), outlet, work=work, during=break_off)
    last = [one for one in outlet.jobs if one[0] == 7][-1]
    assert last[1] is JobState.FAILED
    assert "closed the connection" in last[2]


def test_the_wire_is_told_only_while_somebody_watches(outlet: KeptOutlet) -> None:
    clock = VirtualClock()

    async def main() -> None:
        port = MemoryPort(silent(2))
        plan = plan_of(site(1, 10.0), site(2, 10.0))
        poller = Poller(plan, {}, outlet, HandedWork(), clock, lambda _: port, Random(1))
        running = asyncio.ensure_future(poller.run())
        await asyncio.sleep(30.0)
        assert outlet.lines == []
        poller.watch(1, clock.wall_ms() + 60_000)
        await asyncio.sleep(200.0)
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)

    run_virtual(main())
    span_s = (outlet.lines[-1].at_ms - outlet.lines[0].at_ms) / 1000
    assert 40 < span_s <= 60
    good = [line for line in outlet.lines if line.site_id == 1]
    assert [line.way for line in good[:2]] == ["sent", "heard"]
    assert good[0].meaning == "read input 0"
    # MODBUS Application Protocol V1.1b3 section 6.4, framed by another library's CRC.
    assert good[0].body == framed(bytes([1, 4, 0, 0, 0, 1]))
    assert good[1].body == framed(bytes([1, 4, 2, 0, 100]))
    assert good[1].meaning == "answer after 80 ms"
    assert any("no valid answer" in line.meaning for line in outlet.lines if line.site_id == 2)


def test_somebody_else_on_the_channel_is_told(outlet: KeptOutlet) -> None:
    stranger = framed(bytes([99, 3, 4, 1, 2, 3, 4]))

    def script(frame: bytes, now: float) -> Iterable[Reply]:
        return [*all_answer(frame, now), (0.5, stranger)]

    polled_for(300.0, plan_of(site(1, 10.0)), outlet, script)
    last = outlet.gateways[-1]
    assert last.status is GatewayStatus.CONNECTED
    assert "somebody else polls through the same gateway" in last.sentence
    assert last.strangers >= 20


def test_own_late_answers_are_no_strangers() -> None:
    debts = Debts(5.0)
    debts.add(ReadRequest(1, Table.INPUT, 0, 1), 100.0)
    late = framed(bytes([1, 4, 2, 0, 100]))
    assert stray_answers(b"\x00" + late) == [(1, 4, 2)]
    debts.overheard(late, 103.0)
    assert debts.strangers == 0
    debts.overheard(framed(bytes([9, 4, 2, 0, 100])), 103.0)
    assert debts.strangers == 1


def test_the_airtime_book_adds_up() -> None:
    use = AirtimeUse(0.0)
    use.add("poll", 0.0, 2.0, 1)
    use.add("poll", 2.0, 3.0, 2)
    use.add("retry", 10.0, 11.0, 1)
    # By hand: 4 s of 20 are busy; 3 of them for site 1, one for site 2.
    assert use.used(20.0) == pytest.approx(0.2)
    assert use.by_site(20.0) == {1: pytest.approx(0.15), 2: pytest.approx(0.05)}
    assert sum(use.by_site(20.0).values()) == pytest.approx(use.used(20.0))
    assert use.total_s == {"poll": 3.0, "retry": 1.0}


def test_headroom_is_what_all_sites_could_be_polled_at() -> None:
    # By hand: four sites of 0.5 s each fill 2 s; with 3 % kept free, 2.06 s.
    pace = Pace([PacedSite(n, 60.0, 0.5) for n in range(4)], 0.0)
    assert pace.even_s == pytest.approx(2.0 / 0.97)
    assert pace.usual_cost_s == 0.5
    assert pace.load == pytest.approx(4 * 0.5 / 60)


def test_a_revised_queue_keeps_what_is_known() -> None:
    pace = Pace([PacedSite(1, 10.0, 0.1), PacedSite(2, 10.0, 0.1)], 0.0)
    for now in (0.0, 0.1):
        turn = pace.take(now)
        assert turn is not None
        pace.spent(turn, now, now + 0.1)
        pace.finish(turn.site_id, now + 0.1, None)
    wake = pace.wake_at(0.2)
    pace.revise([PacedSite(1, 10.0, 0.1), PacedSite(2, 10.0, 0.1)], 0.2)
    assert pace.wake_at(0.2) == wake  # the same sites: nothing moves
    pace.revise([PacedSite(2, 10.0, 0.1), PacedSite(3, 10.0, 0.1)], 0.3)
    turn = pace.take(0.3)
    assert turn is not None
    assert (turn.site_id, turn.purpose) == (3, Purpose.POLL)


def test_a_site_with_two_names_for_its_period_is_asked_by_the_shorter() -> None:
    pace = Pace([PacedSite(1, 60.0, 0.1, hard_s=20.0)], 0.0)
    turn = pace.take(0.0)
    assert turn is not None
    pace.finish(1, 0.1, None)
    assert pace.wake_at(0.1) <= 0.1 + 1.5 * 20.0
    pace.revise([replace(PacedSite(1, 5.0, 0.1), hard_s=20.0)], 1.0)
    assert pace.wake_at(1.0) <= 5.1
