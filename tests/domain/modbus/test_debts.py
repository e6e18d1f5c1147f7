"""The debt rule: by the sentences it is made of, and against a channel that means ill.

Expected figures are times of the stories themselves; the rule is the design's own, no
standard has it (RTU carries no transaction number: MODBUS over Serial Line V1.02 §2.3).
"""

import random
from collections.abc import Sequence
from dataclasses import dataclass, field

import pytest
from crccheck.crc import Crc16Modbus
from hypothesis import given, settings
from hypothesis import strategies as st

from tallymast.domain.modbus.debts import Debts
from tallymast.domain.modbus.frames import find_answer
from tallymast.domain.modbus.requests import ReadRequest, Request, WriteRequest, parse_answer
from tallymast.domain.model import Table, WriteTarget

A = ReadRequest(3, Table.INPUT, 0, 4)
SAME_SHAPE = ReadRequest(3, Table.INPUT, 100, 4)
OTHER_COUNT = ReadRequest(3, Table.INPUT, 0, 5)
OTHER_FUNCTION = ReadRequest(3, Table.HOLDING, 0, 4)
OTHER_UNIT = ReadRequest(4, Table.INPUT, 100, 4)


def frame(*body: int) -> bytes:
    return bytes(body) + Crc16Modbus.calc(bytes(body)).to_bytes(2, "little")


A_FRAME = frame(3, 4, 8, *range(8))


def pulse(register: int, *values: int, unit: int = 3, function: int = 16) -> WriteRequest:
    table = Table.COIL if function in (5, 15) else Table.HOLDING
    return WriteRequest(unit, WriteTarget(table, register, function), values)


def test_nothing_out_nothing_waits() -> None:
    debts = Debts(6.0)
    assert debts.may_send(A, 0.0)
    assert debts.earliest(A, 17.5) == 17.5
    assert debts.open(0.0) == ()


def test_an_identical_read_may_go_at_once_and_another_waits() -> None:
    debts = Debts(6.0)
    debts.add(A, 100.0)
    assert debts.may_send(A, 102.0)
    assert not debts.may_send(SAME_SHAPE, 102.0)
    assert debts.earliest(SAME_SHAPE, 102.0) == 106.0
    assert not debts.may_send(SAME_SHAPE, 105.999)
    assert debts.may_send(SAME_SHAPE, 106.0)


def test_who_waits_for_reads_asked_over_and_over_has_its_turn_after_a_quarantine() -> None:
    # A's first answer is lost; A is asked every 2 s from then on, and each is answered at once.
    debts = Debts(6.0)
    debts.add(A, 0.0)
    went: list[float] = []
    asked, last = 0, 0.0
    for tick in range(1, 120):
        now = tick / 2
        if not went and debts.may_send(SAME_SHAPE, now):
            # No answer to A may be on the way any more: its last question is a quarantine old.
            assert now >= last + 6.0
            debts.add(SAME_SHAPE, now)
            debts.answered(SAME_SHAPE, now + 0.1)
            went.append(now)
        elif now % 2 == 0 and debts.may_send(A, now):
            debts.add(A, now)
            debts.answered(A, now + 0.1)
            last, asked = now, asked + 1
    assert went[0] <= 3 * 6.0
    assert asked >= (60 - 3 * 6) / 2  # and A goes on as before


def test_a_turn_that_nobody_takes_holds_nobody_back_for_long() -> None:
    debts = Debts(6.0)
    debts.add(A, 0.0)
    for now in (1.0, 3.0, 5.0, 7.0):  # wanted for more than a quarantine, then no more
        debts.add(A, now)
        assert debts.earliest(SAME_SHAPE, now + 0.5) == now + 6.0
    assert not debts.may_send(A, 7.5)
    assert debts.earliest(A, 7.5) == 7.0 + 6.0 + 2.0
    assert debts.may_send(A, 15.0)


@pytest.mark.parametrize("request_", [OTHER_COUNT, OTHER_FUNCTION, OTHER_UNIT])
def test_reads_of_another_shape_go_on(request_: Request) -> None:
    debts = Debts(6.0)
    debts.add(A, 100.0)
    assert debts.may_send(request_, 102.0)


def test_an_answer_clears_the_way_after_a_repeats_time() -> None:
    debts = Debts(6.0, repeat_s=0.25)
    debts.add(A, 100.0)
    assert debts.answered(A, 100.5) == (100.0, 0.5)
    assert debts.open(100.5) == ()
    assert debts.may_send(A, 100.5)
    assert debts.earliest(SAME_SHAPE, 100.5) == 100.75


def test_what_was_first_sent_counts_until_all_is_answered_or_over() -> None:
    # Sent at 100 and 103, one answer at 103.2: it may be either's. A second one at 105.2 may
    # then still be the first request's, 5.2 s old.
    debts = Debts(6.0)
    debts.add(A, 100.0)
    debts.add(A, 103.0)
    debts.answered(A, 103.2)
    debts.add(A, 105.0)
    assert debts.answered(A, 105.25) == (100.0, 5.25)
    assert debts.open(105.25) == ((A, 105.0, 111.0),)
    debts.add(A, 108.0)
    assert debts.answered(A, 108.25) == (103.0, 5.25), "the first is over at 106"


def test_when_all_is_answered_the_account_is_clean() -> None:
    debts = Debts(6.0)
    debts.add(A, 100.0)
    debts.add(A, 100.5)
    debts.answered(A, 100.6)
    debts.answered(A, 100.9)
    debts.add(A, 101.2)
    assert debts.answered(A, 101.45) == (101.2, pytest.approx(0.25))


def test_an_answer_that_may_be_the_one_before_once_more_pays_nothing() -> None:
    # Found by the abuse bench: the first answer, repeated 0.08 s later, was taken for the second
    # request's; when that one's own answer came late, another read of its shape was out.
    debts = Debts(6.0)
    debts.add(A, 100.0)
    debts.answered(A, 100.12)
    debts.add(A, 100.12)
    debts.answered(A, 100.2)
    assert not debts.may_send(SAME_SHAPE, 103.0)
    assert debts.earliest(SAME_SHAPE, 103.0) == pytest.approx(106.12)
    assert debts.may_send(A, 103.0)


def test_a_frame_right_behind_an_answer_does_not_raise_the_quarantine() -> None:
    # It is the answer once more, not one that was given up ten seconds ago.
    debts = Debts(6.0)
    debts.add(A, 100.0)  # never answered
    debts.add(A, 110.0)
    debts.answered(A, 110.1)
    assert debts.overheard(A_FRAME, 110.2) == 1
    assert debts.quarantine_s == 6.0
    assert debts.repeats == 1


def test_when_an_answer_is_certainly_the_last_requests() -> None:
    debts = Debts(6.0)
    assert debts.certain_from(A, 99.0) == 99.0
    debts.add(A, 100.0)
    debts.add(A, 103.0)
    debts.answered(A, 103.2)
    assert debts.may_send(A, 103.2)
    assert debts.certain_from(A, 103.2) == 109.0
    assert debts.certain_from(SAME_SHAPE, 103.2) == 109.0
    assert debts.certain_from(OTHER_COUNT, 103.2) == 103.2


def test_the_answer_to_a_retry_pays_the_oldest_and_leaves_the_retry() -> None:
    debts = Debts(6.0)
    debts.add(A, 100.0)
    debts.add(A, 103.0)
    settled = debts.answered(A, 103.25)
    assert settled == (100.0, 3.25)
    assert debts.open(103.25) == ((A, 103.0, 109.0),)
    assert debts.earliest(SAME_SHAPE, 103.25) == 109.0


def test_a_reading_is_suspect_when_its_time_is_wider_than_a_period() -> None:
    debts = Debts(6.0)
    debts.add(A, 100.0)
    debts.add(A, 103.0)
    settled = debts.answered(A, 103.25)
    assert settled.is_suspect(3.0)
    assert not settled.is_suspect(3.25)
    assert not settled.is_suspect(10.0)


def test_a_debt_that_has_run_out_is_not_paid_any_more() -> None:
    debts = Debts(6.0)
    debts.add(A, 100.0)
    debts.add(A, 110.0)
    assert debts.answered(A, 110.25) == (110.0, 0.25)
    assert debts.open(110.25) == ()


def test_a_debt_that_runs_out_while_waiting_still_counts() -> None:
    # Sent at 105.9 while the first could still come: the answer may be the first one's.
    debts = Debts(6.0)
    debts.add(A, 100.0)
    debts.add(A, 105.9)
    assert debts.answered(A, 106.5).first_sent == 100.0


def test_a_site_may_have_a_longer_quarantine() -> None:
    debts = Debts(6.0)
    debts.add(A, 100.0, until=142.0)
    assert debts.earliest(SAME_SHAPE, 110.0) == 142.0
    debts.add(OTHER_UNIT, 100.0, until=103.0)
    assert debts.open(105.9)[1].until == 106.0, "never shorter than the channel's"


def test_an_answer_nobody_asked_for_is_a_mistake_of_ours() -> None:
    debts = Debts(6.0)
    with pytest.raises(ValueError, match="request that is not waiting"):
        debts.answered(A, 1.0)
    debts.add(A, 2.0)
    debts.answered(A, 2.1)
    with pytest.raises(ValueError, match="request that is not waiting"):
        debts.answered(A, 2.2)


# --- writes ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    "next_write",
    [
        pulse(30, 5),  # the same once more: never blindly
        pulse(30, 7),
        pulse(30, 7, function=6),  # by another function
        pulse(29, 1, 1),  # overlapping
    ],
)
def test_after_a_write_without_answer_no_write_goes_to_that_point(next_write: Request) -> None:
    debts = Debts(6.0)
    debts.add(pulse(30, 5), 100.0)
    assert debts.earliest(next_write, 102.0) == 106.0


@pytest.mark.parametrize(
    "request_",
    [
        ReadRequest(3, Table.HOLDING, 30, 1),  # the read-back
        A,
        pulse(31, 5),
        pulse(28, 5, 5),
        pulse(30, 5, unit=4),
        pulse(30, 1, function=15),  # a coil, not a register
    ],
)
def test_after_a_write_without_answer_all_else_goes_on(request_: Request) -> None:
    debts = Debts(6.0)
    debts.add(pulse(30, 5), 100.0)
    assert debts.may_send(request_, 102.0)


def test_switching_back_waits_for_the_unanswered_switching_on() -> None:
    debts = Debts(6.0)
    debts.add(pulse(7, 1, function=5), 100.0)
    assert debts.earliest(pulse(7, 0, function=5), 102.0) == 106.0


def test_an_answered_write_may_be_followed_after_a_repeats_time() -> None:
    # Function 16 echoes address and count only: a repeated answer would confirm the next one.
    debts = Debts(6.0, repeat_s=0.25)
    debts.add(pulse(30, 5), 100.0)
    debts.answered(pulse(30, 5), 100.5)
    assert debts.earliest(pulse(30, 7), 100.5) == 100.75
    assert debts.may_send(pulse(31, 7), 100.5)


# --- exceptions -----------------------------------------------------------------------


def test_an_exception_is_believed_when_nothing_else_of_its_function_is_out() -> None:
    debts = Debts(6.0)
    debts.add(A, 100.0)
    debts.add(A, 103.0)
    debts.add(OTHER_FUNCTION, 104.0)
    debts.add(OTHER_UNIT, 104.0)
    assert debts.believes_exception(A, 104.1)


@pytest.mark.parametrize("other", [OTHER_COUNT, SAME_SHAPE])
def test_an_exception_that_may_be_another_reads_is_not_believed(other: ReadRequest) -> None:
    debts = Debts(6.0)
    debts.add(other, 100.0)
    debts.add(A, 103.0)
    assert not debts.believes_exception(A, 103.2)
    assert debts.believes_exception(A, 106.0)


def test_a_refusal_of_one_write_is_not_another_writes() -> None:
    debts = Debts(6.0)
    debts.add(pulse(30, 5), 100.0)
    debts.add(pulse(40, 5), 102.0)
    assert not debts.believes_exception(pulse(40, 5), 102.2)


def test_a_repeated_exception_is_not_the_next_reads() -> None:
    debts = Debts(6.0, repeat_s=0.25)
    debts.add(OTHER_COUNT, 100.0)
    debts.answered(OTHER_COUNT, 100.5, exception=True)
    debts.add(A, 100.6)
    assert not debts.believes_exception(A, 100.7)
    assert debts.believes_exception(A, 100.8)


def test_a_good_answer_does_not_put_the_next_refusal_in_doubt() -> None:
    debts = Debts(6.0)
    debts.add(OTHER_COUNT, 100.0)
    debts.answered(OTHER_COUNT, 100.5)
    debts.add(A, 100.6)
    assert debts.believes_exception(A, 100.7)


def test_an_exception_pays_like_an_answer() -> None:
    debts = Debts(6.0)
    debts.add(A, 100.0)
    debts.add(A, 103.0)
    assert debts.answered(A, 103.2, exception=True).first_sent == 100.0
    assert debts.open(103.2) == ((A, 103.0, 109.0),)


# --- learning how late frames come ----------------------------------------------------


def test_a_frame_nobody_waited_for_pays_nothing() -> None:
    debts = Debts(6.0)
    debts.add(A, 100.0)
    assert debts.overheard(b"\x00" + A_FRAME, 102.5) == 1
    assert debts.earliest(SAME_SHAPE, 102.5) == 106.0
    assert debts.worst_lateness == 2.5


def test_the_quarantine_rises_to_twice_the_worst_lateness() -> None:
    debts = Debts(6.0)
    debts.add(A, 100.0)
    debts.overheard(A_FRAME, 104.0)
    assert debts.quarantine_s == 8.0
    assert debts.earliest(SAME_SHAPE, 104.0) == 108.0, "for what is already out, too"
    debts.overheard(A_FRAME, 103.0)
    assert debts.quarantine_s == 8.0


def test_what_was_given_up_too_soon_is_taken_back() -> None:
    debts = Debts(6.0)
    debts.add(OTHER_FUNCTION, 98.0)
    debts.add(A, 100.0)
    debts.add(A, 107.0)  # the first is given up at 106
    debts.answered(A, 107.2)
    assert debts.may_send(SAME_SHAPE, 107.5)
    debts.overheard(frame(3, 3, 8, *range(8)), 107.5)  # 9.5 s late: the quarantine is 19 s
    assert debts.quarantine_s == 19.0
    assert debts.earliest(SAME_SHAPE, 107.5) == 119.0


def test_a_frame_later_than_the_quarantine_is_learnt_from() -> None:
    debts = Debts(6.0)
    debts.add(A, 100.0)
    debts.add(A, 103.0)
    debts.answered(A, 103.2)
    debts.overheard(A_FRAME, 110.0)
    assert debts.worst_lateness == 7.0, "at least this late: the retry's, not the first one's"
    assert debts.quarantine_s == 14.0


def test_the_quarantine_has_an_upper_end() -> None:
    debts = Debts(6.0)
    debts.add(A, 100.0, until=300.0)
    debts.overheard(A_FRAME, 200.0)
    assert debts.worst_lateness == 100.0
    assert debts.quarantine_s == 120.0


def test_an_ordinary_answer_raises_nothing() -> None:
    debts = Debts(6.0)
    debts.add(A, 100.0)
    debts.add(A, 103.0)
    debts.answered(A, 103.25)
    assert debts.worst_lateness == 0.25, "what is certain: it may be the retry's"
    assert debts.quarantine_s == 6.0


def test_more_answers_than_requests_are_repeats_and_lengthen_their_time() -> None:
    debts = Debts(6.0, repeat_s=0.25)
    debts.add(A, 100.0)
    debts.answered(A, 100.5)
    assert debts.overheard(A_FRAME, 101.25) == 1
    assert debts.repeats == 1
    assert debts.repeat_s == 1.5
    assert debts.quarantine_s == 6.0
    assert debts.earliest(SAME_SHAPE, 101.25) == 102.0


def test_other_bytes_teach_nothing() -> None:
    debts = Debts(6.0)
    debts.add(A, 100.0)
    for received in (b"", A_FRAME[:-1], frame(4, 4, 8, *range(8)), frame(3, 0x84, 2)):
        assert debts.overheard(received, 104.0) == 0
    assert debts.worst_lateness == 0.0


def test_old_debts_are_forgotten() -> None:
    debts = Debts(6.0)
    for n in range(1000):
        debts.add(pulse(n, 5), 10.0 * n)
    assert len(debts.open(10_000.0)) == 0
    assert len(debts._accounts) <= 3


# --- a channel that means ill ---------------------------------------------------------

QUARANTINE_S, TIMEOUT_S = 5.0, 1.0


@dataclass
class IllChannel:
    """Answers late, twice, out of order or not at all, but never after the quarantine."""

    chance: random.Random
    repeats: bool
    coming: list[tuple[float, float, bytes]] = field(default_factory=list)  # arrival, sent, frame

    def send(self, request: Request, now: float) -> None:
        if self.chance.random() < 0.2:
            return
        late = self.chance.random() < 0.4
        arrival = now + (self.chance.uniform(0, QUARANTINE_S) if late else 0.1)
        if self.chance.random() < 0.1:
            answer = frame(request.unit, request.function | 0x80, request.start % 9 + 1)
        elif isinstance(request, WriteRequest):
            head = request.expected().head
            answer = frame(*head)
        else:
            # Every register tells its own address, so a wrong value shows.
            words = [request.start + n for n in range(request.count)]
            body = b"".join(word.to_bytes(2, "big") for word in words)
            answer = frame(request.unit, request.function, request.byte_count, *body)
        self.coming.append((arrival, now, answer))
        again = arrival + self.chance.uniform(0, 0.25)
        if self.repeats and self.chance.random() < 0.3 and again < now + QUARANTINE_S:
            self.coming.append((again, now, answer))

    def receive(self, until: float) -> list[tuple[float, float, bytes]]:
        came = sorted(item for item in self.coming if item[0] <= until)
        self.coming = [item for item in self.coming if item[0] > until]
        return came


def exchange(debts: Debts, channel: IllChannel, request: Request, now: float) -> tuple[float, bool]:
    """One exchange as the poller does it; checks whatever it accepts."""
    for arrival, _, came in channel.receive(now):
        debts.overheard(came, arrival)
    debts.add(request, now)
    channel.send(request, now)
    for arrival, sent, came in channel.receive(now + TIMEOUT_S):
        match = find_answer(came, request.expected()).answer
        if match is None:
            continue
        if match.is_exception and not debts.believes_exception(request, arrival):
            continue
        settled = debts.answered(request, arrival, exception=match.is_exception)
        if not channel.repeats:
            assert settled.first_sent <= sent <= arrival, "the value is older than claimed"
        answer = parse_answer(request, match.pdu)
        if isinstance(request, WriteRequest):
            assert sent == now, "another write's answer was taken for this one's"
        elif answer.exception_code:
            assert answer.exception_code == request.start % 9 + 1, "another request's refusal"
        else:
            assert int.from_bytes(answer.words[:2], "big") == request.start, "a wrong value"
        return arrival, True
    return now + TIMEOUT_S, False


@settings(max_examples=120, deadline=None)
@given(st.integers(0, 2**32), st.booleans())
def test_no_wrong_value_while_no_frame_is_later_than_the_quarantine(
    seed: int, repeats: bool
) -> None:
    chance = random.Random(seed)
    channel, debts = IllChannel(chance, repeats), Debts(QUARANTINE_S)
    reads = [
        ReadRequest(unit, Table.INPUT, start, count)
        for unit in (3, 4)
        for start, count in ((0, 2), (100, 2), (200, 2), (51, 3))
    ]
    live_with(chance, channel, debts, reads)


@settings(max_examples=120, deadline=None)
@given(st.integers(0, 2**32), st.booleans())
def test_no_write_is_confirmed_or_refused_by_another_ones_answer(seed: int, repeats: bool) -> None:
    chance = random.Random(seed)
    channel, debts = IllChannel(chance, repeats), Debts(QUARANTINE_S)
    writes = [pulse(register, n) for register in (30, 31) for n in (5, 7)]
    writes += [pulse(30, 5, function=6), pulse(30, 1, 2), pulse(30, 3, 4)]
    writes += [pulse(9, state, function=function) for state in (0, 1) for function in (5, 15)]
    live_with(chance, channel, debts, [*writes, ReadRequest(3, Table.HOLDING, 30, 1)])


def live_with(
    chance: random.Random, channel: IllChannel, debts: Debts, requests: Sequence[Request]
) -> None:
    now = 0.0
    for _ in range(60):
        request = chance.choice(requests)
        now += chance.choice([0.0, 0.05, 0.3])
        if chance.random() < 0.3:
            now = debts.earliest(request, now)
        if debts.may_send(request, now):
            now, _ = exchange(debts, channel, request, now)


def test_the_ill_channel_does_harm_where_nobody_keeps_account() -> None:
    # The check of the check: the same stories without debts give wrong values.
    class Careless(Debts):
        def believes_exception(self, request: Request, now: float) -> bool:
            return True

    wrong = 0
    for seed in range(40):
        chance = random.Random(seed)
        channel, debts, now = IllChannel(chance, False), Careless(QUARANTINE_S), 0.0
        try:
            for n in range(30):
                now, _ = exchange(debts, channel, (A, SAME_SHAPE)[n % 2], now)
        except AssertionError:
            wrong += 1
    assert wrong >= 20
