"""Scans, tries and link tests on a virtual clock: who is there, at whose cost, and how it ends."""

import asyncio
from collections.abc import Callable, Iterable
from itertools import pairwise
from random import Random
from typing import Any

import pytest
from tests.polling.conftest import GATEWAY, HandedWork, KeptOutlet, plan_of, site
from tests.polling.test_poller import Script, all_answer, answer, framed, polled_for

from tallymast.benches.virtual import MemoryPort, Reply, VirtualClock, run_virtual
from tallymast.domain.airtime_use import AirtimeUse
from tallymast.domain.model import GatewayStatus, Job, JobState, Outcome, PollFlag, PollPlan
from tallymast.domain.pacing import Pace, Purpose
from tallymast.polling.poller import Poller

SCAN_BLOCKS = {"tank": [["input", 0, 2], ["holding", 0, 1]], "gate": [["input", 10, 3]]}


def scan(number: int, units: Iterable[int], **more: Any) -> Job:
    params = {"units": list(units), "profiles": SCAN_BLOCKS, **more}
    return Job(number, "scan", None, 1, "ada", 0, params=params)


def trial(number: int, unit: int, blocks: list[list[object]], **more: Any) -> Job:
    params = {"unit": unit, "blocks": blocks, **more}
    return Job(number, "try", None, 1, "ada", 0, params=params)


def only(*units: int, then: Script = all_answer) -> Script:
    """Answers come from these units alone."""

    def script(frame: bytes, now: float) -> Iterable[Reply]:
        return then(frame, now) if frame[0] in units else []

    return script


def tank_at(unit: int) -> Script:
    """Unit ``unit`` is a tank: it has no input 10; every other unit in use answers all."""

    def script(frame: bytes, now: float) -> Iterable[Reply]:
        if frame[0] == unit and int.from_bytes(frame[2:4], "big") == 10:
            return [(0.05, framed(bytes([unit, frame[1] | 0x80, 2])))]
        return all_answer(frame, now) if frame[0] in (1, 2, unit) else []

    return script


def last(outlet: KeptOutlet, number: int = 7) -> tuple[JobState, str]:
    return [(state, said) for job, state, said in outlet.jobs if job == number][-1]


def rows(outlet: KeptOutlet, number: int = 7) -> list[dict[str, Any]]:
    found = [(n, dict(body)) for job, n, body in outlet.rows if job == number]
    assert [n for n, _ in found] == list(range(len(found)))
    return [body for _, body in found]


def work_of(*jobs: Job) -> HandedWork:
    return HandedWork(list(jobs))


# --- scans --------------------------------------------------------------------------------------


def test_a_scan_finds_who_is_there_and_which_profile_matches(outlet: KeptOutlet) -> None:
    work = work_of(scan(7, [18, 19, 20]))
    polled_for(200.0, plan_of(site(1), site(2)), outlet, tank_at(19), work=work)
    assert last(outlet) == (JobState.DONE, "3 of 3 addresses asked, 1 answered: 19.")
    silence = {"heard": "silence", "code": 0, "ms": None, "site": None, "profiles": {}}
    assert rows(outlet) == [
        {"unit": 18, **silence},
        {
            "unit": 19,
            "heard": "answer",
            "code": 0,
            "ms": 80.0,
            "site": None,
            "profiles": {
                "tank": {"asked": 2, "answered": 2},
                "gate": {"asked": 1, "answered": 0},
            },
        },
        {"unit": 20, **silence},
    ]


def test_a_refusal_means_that_somebody_is_there(outlet: KeptOutlet) -> None:
    def refusing(frame: bytes, now: float) -> Iterable[Reply]:
        if frame[0] != 30:
            return all_answer(frame, now)
        return [(0.05, framed(bytes([30, frame[1] | 0x80, 1])))]  # it knows no such function

    work = work_of(scan(7, [30]))
    polled_for(60.0, plan_of(site(1)), outlet, refusing, work=work)
    (row,) = rows(outlet)
    assert (row["heard"], row["code"]) == ("refusal", 1)
    assert row["profiles"]["tank"] == {"asked": 2, "answered": 0}
    assert "1 answered: 30" in last(outlet)[1]


def test_two_stations_at_one_address_are_told_as_garbled(outlet: KeptOutlet) -> None:
    def both(frame: bytes, now: float) -> Iterable[Reply]:
        if frame[0] == 40:
            return [(0.08, b"\x28\x04\xff\x13\x28\x28\x00\x9d\x31")]
        return only(1)(frame, now)

    work = work_of(scan(7, [40, 41]))
    polled_for(60.0, plan_of(site(1)), outlet, both, work=work)
    assert [row["heard"] for row in rows(outlet)] == ["garbled", "silence"]
    said = last(outlet)[1]
    assert "none answered" in said
    assert "from 40 came bytes that are no valid answer" in said


def test_a_converter_that_speaks_for_a_silent_station_is_nobody(outlet: KeptOutlet) -> None:
    def converter(frame: bytes, now: float) -> Iterable[Reply]:
        if frame[0] == 1:
            return all_answer(frame, now)
        code = 0x0B if frame[0] == 50 else 0x0A
        return [(0.05, framed(bytes([frame[0], frame[1] | 0x80, code])))]

    work = work_of(scan(7, [50, 51]))
    polled_for(60.0, plan_of(site(1)), outlet, converter, work=work)
    # MODBUS Application Protocol V1.1b3 section 7: 0A and 0B are the gateway's own words.
    assert [(row["heard"], row["code"]) for row in rows(outlet)] == [
        ("silence", 0x0B),
        ("silence", 0x0A),
    ]


def busiest_s(spans: list[tuple[float, float]], window_s: float) -> float:
    """Return the most that spans take of any window of this length; it ends where one ends."""
    return max(
        sum(max(0.0, min(stop, end) - max(start, end - window_s)) for start, stop in spans)
        for _, end in spans
    )


def test_a_scan_takes_a_fifth_of_any_half_minute_at_most(outlet: KeptOutlet) -> None:
    units = range(100, 140)
    work = work_of(scan(7, units))
    port = polled_for(400.0, plan_of(site(1)), outlet, only(1), work=work)
    asked = [at for at, frame in port.sent if frame[0] in units]
    assert len(asked) == 40  # each once, no retry
    # Silent addresses keep the channel for the whole timeout of 1 s: 6 s of any 30 s, so 5 s each.
    assert busiest_s([(at, at + 1.0) for at in asked], 30.0) <= 6.0 + 1e-6
    assert asked[-1] - asked[0] == pytest.approx(39 * 5.0, rel=0.1)
    assert last(outlet)[0] is JobState.DONE


def test_a_shorter_timeout_makes_a_scan_as_much_shorter(outlet: KeptOutlet) -> None:
    units = range(100, 130)
    work = work_of(scan(7, units, timeout_s=0.5))
    port = polled_for(400.0, plan_of(site(1)), outlet, only(1), work=work)
    asked = [at for at, frame in port.sent if frame[0] in units]
    assert asked[-1] - asked[0] == pytest.approx(29 * 2.5, rel=0.1)
    assert busiest_s([(at, at + 0.5) for at in asked], 30.0) <= 6.0 + 1e-6


def test_polls_come_first_and_none_is_late_by_more_than_a_question(outlet: KeptOutlet) -> None:
    plan = plan_of(*(site(n, 5.0) for n in range(1, 9)))
    known = only(*range(1, 9))
    calm = KeptOutlet()
    undisturbed = polled_for(300.0, plan, calm, known)
    port = polled_for(300.0, plan, outlet, known, work=work_of(scan(7, range(100, 130))))
    for unit in range(1, 9):
        before = [at for at, frame in undisturbed.sent if frame[:2] == bytes([unit, 4])]
        now = [at for at, frame in port.sent if frame[:2] == bytes([unit, 4])]
        assert all(a - b < 1.9 for a, b in zip(now, before, strict=False))  # 1 s and others' turns
        assert abs(len(now) - len(before)) <= 1
    assert {one.poll.outcome for one in outlet.done} == {Outcome.FIRST_TRY}


def test_on_a_channel_that_is_always_full_a_scan_ends_all_the_same(outlet: KeptOutlet) -> None:
    plan = plan_of(*(site(n, 1.0) for n in range(1, 21)))  # 20 x 80 ms do not fit in 1 s
    work = work_of(scan(7, [100, 101, 102]))
    port = polled_for(150.0, plan, outlet, only(*range(1, 21)), work=work)
    asked = [at for at, frame in port.sent if frame[0] >= 100]
    assert last(outlet)[0] is JobState.DONE
    assert [later - first for first, later in pairwise(asked)] == [pytest.approx(30.0, abs=1.0)] * 2


def test_a_scan_is_nobodys_poll(outlet: KeptOutlet) -> None:
    calm = KeptOutlet()
    plan, known = plan_of(site(1, 10.0), site(2, 10.0)), only(1)
    polled_for(200.0, plan, calm, known)
    polled_for(200.0, plan, outlet, known, work=work_of(scan(7, [1, 2, 90])))
    assert [row["site"] for row in rows(outlet)] == ["site-1", "site-2", None]
    assert rows(outlet)[1]["heard"] == "silence"
    for unit in (1, 2):
        with_scan, without = outlet.of(unit)[-1].state, calm.of(unit)[-1].state
        assert with_scan.status is without.status
        assert with_scan.hour_counts.asked == pytest.approx(without.hour_counts.asked, abs=1)
        assert with_scan.hour_counts.missed == pytest.approx(without.hour_counts.missed, abs=1)
        assert len(outlet.of(unit)) == with_scan.hour_counts.asked
    assert not {one.poll.site_id for one in outlet.done} - {1, 2}


def test_late_answers_to_a_scan_are_no_values(outlet: KeptOutlet) -> None:
    chance = Random(5)

    def late(frame: bytes, now: float) -> Iterable[Reply]:
        # A register holds its own address; answers come late as often as not.
        start, count = int.from_bytes(frame[2:4], "big"), int.from_bytes(frame[4:6], "big")
        words = b"".join((start + n).to_bytes(2, "big") for n in range(count))
        wait_s = 0.08 if frame[2:4] == b"\x00\x00" and chance.random() < 0.5 else 2.4
        return [(wait_s, framed(bytes([frame[0], frame[1], 2 * count]) + words))]

    profiles = {"odd": [["input", 700, 1], ["holding", 700, 1]], "even": [["input", 800, 1]]}
    work = work_of(*(scan(n, [1, 2], profiles=profiles) for n in range(1, 12)))
    polled_for(900.0, plan_of(site(1, 5.0), site(2, 5.0)), outlet, late, work=work)
    answered = [one.poll for one in outlet.done if one.poll.got]
    assert len(answered) > 50
    assert {poll.words[:2] for poll in answered} == {b"\x00\x00"}
    assert len({number for number, *_ in outlet.rows}) == 11


def test_a_scan_stops_where_it_is_and_keeps_what_it_found(outlet: KeptOutlet) -> None:
    work = work_of(scan(7, range(100, 200)))

    def stop(_port: MemoryPort) -> None:
        work.stopped.add(7)

    polled_for(200.0, plan_of(site(1)), outlet, only(1, 100, 103), work=work, during=stop)
    state, said = last(outlet)
    found = rows(outlet)
    assert state is JobState.DONE
    assert 15 <= len(found) <= 25
    asked = f"Stopped by hand: {len(found)} of 100 addresses asked, 2 answered: 100, 103."
    assert said == asked
    assert [job for job, *_ in outlet.jobs][-1] == 7
    assert [state for _, state, _ in outlet.jobs].count(JobState.DONE) == 1


def test_a_scan_ends_with_its_connection_and_keeps_what_it_found(outlet: KeptOutlet) -> None:
    def break_off(port: MemoryPort) -> None:
        port.refuses = True
        port.hear(None)

    work = work_of(scan(7, range(100, 200)))
    polled_for(60.0, plan_of(site(1)), outlet, only(1, 100), work=work, during=break_off)
    state, said = last(outlet)
    assert state is JobState.FAILED
    assert f"{len(rows(outlet))} of 100 addresses asked, 1 answered: 100." in said
    assert "closed the connection" in said
    assert rows(outlet)[0]["heard"] == "answer"


def test_an_unreachable_gateway_is_not_scanned(outlet: KeptOutlet) -> None:
    work = HandedWork()

    async def main() -> None:
        port = MemoryPort(all_answer)
        port.refuses = True
        poller = Poller(
            plan_of(site(1)), {}, outlet, work, VirtualClock(), lambda _: port, Random(1)
        )
        running = asyncio.ensure_future(poller.run())
        await asyncio.sleep(5.0)
        work.jobs += [scan(7, [9]), trial(8, 9, [["input", 0, 1]])]
        await asyncio.sleep(5.0)
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)

    run_virtual(main())
    for number in (7, 8):
        state, said = last(outlet, number)
        assert state is JobState.FAILED
        assert "refuses the connection" in said


def test_a_scan_of_another_gateway_or_of_nonsense_fails_in_a_sentence(outlet: KeptOutlet) -> None:
    elsewhere = Job(5, "scan", None, 99, "ada", 0, params={"units": [1]})
    nonsense = Job(6, "scan", None, 1, "ada", 0, params={"units": [300]})
    backwards = trial(8, 1, [["input", 0, 500]])
    polled_for(10.0, plan_of(site(1)), outlet, work=work_of(elsewhere, nonsense, backwards))
    assert last(outlet, 5) == (JobState.FAILED, "The gateway is not polled by this program.")
    assert "a unit address is 1 to 247, not 300" in last(outlet, 6)[1]
    assert "holds 1 to 125 addresses, not 500" in last(outlet, 8)[1]
    assert outlet.done  # and polling went on


def test_a_gateway_without_sites_is_scanned_too_and_is_not_called_mute(outlet: KeptOutlet) -> None:
    polled_for(60.0, plan_of(), outlet, only(19), work=work_of(scan(7, [19])))
    assert last(outlet) == (JobState.DONE, "1 of 1 addresses asked, 1 answered: 19.")
    assert {one.status for one in outlet.gateways} == {GatewayStatus.CONNECTED}
    assert all(one.sentence == "" for one in outlet.gateways)


def test_what_a_scan_takes_stands_in_the_airtime_book(outlet: KeptOutlet) -> None:
    work = work_of(scan(7, [100, 101]), trial(8, 1, [["input", 0, 1]]))
    polled_for(60.0, plan_of(site(1)), outlet, only(1), work=work)
    told = outlet.gateways[-1]
    assert told.busy_s["scan"] == pytest.approx(2.0, abs=0.01)  # two timeouts of 1 s
    assert told.busy_s["try"] == pytest.approx(0.08, abs=0.01)
    assert set(told.site_share) == {1}


def test_quick_answers_before_slow_silence_keep_to_the_fifth_too() -> None:
    # Ours: a scan's questions one after the other as soon as each may go, on an idle channel.
    pace, now, spans = Pace((), 0.0), 0.0, []
    chance = Random(3)
    while now < 600.0:
        takes_s = 2.0 if chance.random() < 0.5 else 0.05
        if pace.may_scan(now, 2.0, 0.0):
            spans.append((now, now + takes_s))
            pace.asked(Purpose.SCAN, now, now + takes_s)
            now += takes_s
        now += 0.01
    assert busiest_s(spans, 30.0) <= 6.05
    assert sum(stop - start for start, stop in spans) > 0.14 * 600.0  # and it uses what it may


# --- tries --------------------------------------------------------------------------------------


def test_a_try_reads_each_block_and_says_what_came(outlet: KeptOutlet) -> None:
    blocks: list[list[object]] = [["input", 0, 2], ["input", 10, 3], ["holding", 0, 1]]
    polled_for(30.0, plan_of(site(1)), outlet, tank_at(19), work=work_of(trial(7, 19, blocks)))
    first, second, third = rows(outlet)
    # Every register of a unit holds 100 x its unit address: 1900 is 076C in hexadecimal.
    assert first == {
        "block": 0,
        "heard": "answer",
        "code": 0,
        "ms": 80.0,
        "words": "076c076c",
        "said": "Unit 19: answered in 80 ms.",
    }
    assert (second["heard"], second["code"], second["words"]) == ("refusal", 2, None)
    assert second["said"] == "Unit 19: it has no such registers: 3 from 10 on (exception 02)."
    assert third["words"] == "076c"
    assert last(outlet) == (JobState.DONE, "Unit 19: 3 of 3 blocks asked, 2 answered, 1 refused.")


def test_a_try_asks_a_silent_block_once_more(outlet: KeptOutlet) -> None:
    heard: list[int] = []

    def deaf_at_first(frame: bytes, now: float) -> Iterable[Reply]:
        if frame[0] == 19:
            heard.append(frame[1])
            return [] if len(heard) == 1 else all_answer(frame, now)
        return all_answer(frame, now)

    work = work_of(trial(7, 19, [["input", 0, 1]]))
    polled_for(30.0, plan_of(site(1)), outlet, deaf_at_first, work=work)
    assert len(heard) == 2
    assert rows(outlet)[0]["heard"] == "answer"
    polled_for(60.0, plan_of(site(1)), nobody := KeptOutlet(), only(1), work=work)
    assert rows(nobody)[0]["said"] == "Unit 19: no answer within 1.0 s."
    assert last(nobody) == (JobState.DONE, "Unit 19: 1 of 1 block asked, 0 answered.")


def test_tries_go_before_polls_and_share_their_third_of_the_airtime() -> None:
    pace = Pace((), 0.0)
    assert pace.may_try(10.0)
    pace.asked(Purpose.TRY, 10.0, 12.0)
    assert pace.may_try(12.0)
    pace.asked(Purpose.TRY, 12.0, 13.1)  # 3.1 s of the last 10: more than 30 %
    assert not pace.may_try(13.1)
    assert pace.may_try(22.5)


def test_airtime_of_no_site_is_used_but_nobodys() -> None:
    use = AirtimeUse(0.0)
    use.add("scan", 0.0, 2.0)
    use.add("poll", 2.0, 3.0, 4)
    assert use.used(10.0) == pytest.approx(0.3)
    assert use.by_site(10.0) == {4: pytest.approx(0.1)}


# --- link tests ---------------------------------------------------------------------------------


def link_test(polls: object) -> Job:
    return Job(7, "link-test", 1, None, "ada", 0, params={"polls": polls})


def test_a_link_test_takes_as_many_polls_as_asked(outlet: KeptOutlet) -> None:
    polled_for(300.0, plan_of(site(1), site(2)), outlet, work=work_of(link_test(50)))
    state, said = last(outlet)
    assert state is JobState.DONE
    assert said == (
        "Site 1: 50 of 50 polls answered, 50 at the first try; "
        "answers took 80 ms, 95 % within 80 ms, from 80 to 80 ms."
    )
    flagged = [one for one in outlet.of(1) if one.poll.flags & PollFlag.DEMAND]
    assert len(flagged) == 50  # by these the test is read from the record


@pytest.mark.parametrize("polls", [4, 201, "many", None])
def test_a_link_test_of_too_few_or_too_many_polls_is_refused(
    outlet: KeptOutlet, polls: object
) -> None:
    polled_for(20.0, plan_of(site(1)), outlet, work=work_of(link_test(polls)))
    assert last(outlet) == (JobState.FAILED, f"A link test takes 5 to 200 polls, not {polls}.")


def test_a_link_test_can_be_stopped(outlet: KeptOutlet) -> None:
    work = work_of(link_test(200))

    def stop(_port: MemoryPort) -> None:
        work.stopped.add(7)

    polled_for(40.0, plan_of(site(1), site(2)), outlet, work=work, during=stop)
    state, said = last(outlet)
    assert state is JobState.DONE
    assert said.startswith("Stopped by hand: Site 1: ")
    asked = len([one for one in outlet.jobs if one[1] is JobState.RUNNING]) - 1
    assert f"{asked} of {asked} polls answered" in said


def test_a_second_test_of_a_site_is_refused_and_does_not_hang(outlet: KeptOutlet) -> None:
    second = Job(8, "desk-test", 1, None, "ada", 0)
    polled_for(300.0, plan_of(site(1)), outlet, work=work_of(link_test(50), second))
    assert last(outlet, 7)[0] is JobState.DONE
    assert last(outlet, 8) == (
        JobState.FAILED,
        "Site 1 is being tested already; ask again after that.",
    )


def test_a_gateway_that_is_removed_ends_its_work(outlet: KeptOutlet) -> None:
    work = work_of(scan(7, range(100, 200)), Job(8, "desk-test", 1, None, "ada", 0))
    revised(20.0, [(5.0, PollPlan(2, ()))], work, outlet)
    for number in (7, 8):
        assert last(outlet, number)[0] is JobState.FAILED
        assert "Test mast is not polled any more" in last(outlet, number)[1]


def revised(
    seconds: float,
    plans: list[tuple[float, PollPlan]],
    work: HandedWork,
    outlet: KeptOutlet,
    script: Callable[[bytes, float], Iterable[Reply]] = all_answer,
) -> None:
    async def main() -> None:
        port = MemoryPort(script)
        poller = Poller(
            plan_of(site(1), gateway=GATEWAY),
            {},
            outlet,
            work,
            VirtualClock(),
            lambda _: port,
            Random(1),
        )
        running = asyncio.ensure_future(poller.run())
        for at_s, plan in plans:
            asyncio.get_running_loop().call_at(1000.0 + at_s, poller.revise, plan)
        await asyncio.sleep(seconds)
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)

    run_virtual(main())


def test_the_answer_twin_is_what_the_trade_expects() -> None:
    # MODBUS Application Protocol V1.1b3 section 6.4: unit, function, byte count, registers.
    assert answer(bytes([19, 4, 0, 0, 0, 1]))[:5] == bytes([19, 4, 2, 0x07, 0x6C])


def test_the_likeliest_profile_is_asked_first_whatever_the_alphabet_says(
    outlet: KeptOutlet,
) -> None:
    # A station that stays silent on what it does not have is found by what it has.
    def gate(frame: bytes, now: float) -> Iterable[Reply]:
        has = int.from_bytes(frame[2:4], "big") == 10
        return all_answer(frame, now) if frame[0] == 1 or has else []

    for number, order, answered in ((7, ["gate", "tank"], 1), (8, [], 0)):
        work = work_of(scan(number, [19], order=order))
        polled_for(60.0, plan_of(site(1)), outlet, gate, work=work)
        assert (f"{answered} answered" if answered else "none answered") in last(outlet, number)[1]
