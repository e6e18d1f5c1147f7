"""Each rule of the exchange layer, on byte lists with times; nothing sleeps, no socket is open."""

import asyncio
from collections.abc import Awaitable, Callable, Iterable

import pytest
from crccheck.crc import Crc16Modbus

from tallymast.benches.abuse import write_and_read
from tallymast.benches.virtual import MemoryPort, Reply, run_virtual
from tallymast.domain.errors import (
    BusySite,
    ConfigError,
    DeviceFailure,
    ExchangeFailed,
    GarbledAnswer,
    GatewayUnreachable,
    NoAnswer,
    PathFault,
    RefusedBySite,
)
from tallymast.domain.modbus.requests import ReadRequest, WriteRequest
from tallymast.domain.model import Gateway, Table, Transport, WriteTarget
from tallymast.polling.exchange import Exchanger, Station

UPPER_WEIR = Station("Upper Weir", 17, 2.0)
BLOCK = ReadRequest(17, Table.HOLDING, 0x6B, 3)
OTHER = ReadRequest(17, Table.HOLDING, 0x10, 3)  # an answer to it looks the same

# MODBUS Application Protocol V1.1b3 §6.3: registers 108 to 110 hold 022B, 0000 and 0064; the
# frames with unit 17 and their CRC as restated in an instrument manual.
ANSWER = bytes.fromhex("11 03 06 02 2B 00 00 00 64 C8 BA")
WORDS = bytes.fromhex("02 2B 00 00 00 64")


def framed(text: str) -> bytes:
    body = bytes.fromhex(text)
    return body + Crc16Modbus.calc(body).to_bytes(2, "little")


OTHER_ANSWER = framed("11 03 06 AA AA BB BB CC CC")


class Scripted:
    """Replies to the n-th request with the n-th list."""

    def __init__(self, *replies: Iterable[Reply]) -> None:
        self._replies = list(replies)

    def __call__(self, frame: bytes, now: float) -> Iterable[Reply]:
        return self._replies.pop(0) if self._replies else []


def hold(
    work: Callable[[Exchanger], Awaitable[object]],
    *replies: Iterable[Reply],
    echo: bool = False,
) -> MemoryPort:
    """Connect an exchanger to a scripted line and do ``work``; return the port."""
    port = MemoryPort(Scripted(*replies))
    gateway = Gateway(
        "mast",
        "Test mast",
        Transport.RTU_OVER_TCP,
        "in memory",
        min_gap_ms=0.0,
        quarantine_s=6.0,
        local_echo=echo,
    )

    async def main() -> None:
        exchanger = Exchanger(port, gateway)
        await exchanger.connect()
        await work(exchanger)

    run_virtual(main())
    return port


def now() -> float:
    return asyncio.get_running_loop().time()


def test_the_standards_example_is_asked_and_understood() -> None:
    async def work(exchanger: Exchanger) -> None:
        given = await exchanger.ask(BLOCK, UPPER_WEIR)
        assert given.words == WORDS
        assert given.arrived_at - given.sent_at == pytest.approx(0.2)

    port = hold(work, [(0.2, ANSWER)])
    assert port.sent[0][1] == bytes.fromhex("11 03 00 6B 00 03 76 87")


@pytest.mark.parametrize(
    "replies",
    [
        [(0.1, b"\x00\xff" + ANSWER)],
        [(0.1, ANSWER + b"\x11\x03")],
        [(0.01 * n, bytes([byte])) for n, byte in enumerate(ANSWER, 1)],
        [(0.1, ANSWER[:5]), (1.9, ANSWER[5:])],
        [(0.1, framed("12 03 06 11 11 22 22 33 33") + ANSWER)],
        [(0.1, framed("11 04 06 11 11 22 22 33 33") + ANSWER)],
        [(0.1, framed("11 03 04 11 11 22 22")), (0.2, ANSWER)],
        [(0.1, ANSWER[:-1] + b"\x00"), (0.3, ANSWER)],
    ],
    ids=["noise-before", "after", "bytes", "halves", "unit", "function", "count", "crc"],
)
def test_only_a_frame_that_fits_the_request_is_its_answer(replies: list[Reply]) -> None:
    async def work(exchanger: Exchanger) -> None:
        assert (await exchanger.ask(BLOCK, UPPER_WEIR)).words == WORDS

    hold(work, replies)


def test_silence_is_no_answer_in_a_sentence() -> None:
    async def work(exchanger: Exchanger) -> None:
        with pytest.raises(NoAnswer, match=r"Upper Weir: no answer within 2\.0 s\."):
            await exchanger.ask(BLOCK, UPPER_WEIR)

    hold(work)


def test_bytes_without_a_valid_frame_are_garbled() -> None:
    async def work(exchanger: Exchanger) -> None:
        with pytest.raises(GarbledAnswer, match="bytes came, none of them valid"):
            await exchanger.ask(BLOCK, UPPER_WEIR)

    hold(work, [(0.1, b"\x55" * 9)])


def test_two_answers_in_one_reading_are_trusted_neither() -> None:
    async def work(exchanger: Exchanger) -> None:
        with pytest.raises(GarbledAnswer, match="two answers came at once"):
            await exchanger.ask(BLOCK, UPPER_WEIR)

    hold(work, [(0.1, ANSWER + OTHER_ANSWER)])


@pytest.mark.parametrize(
    ("code", "kind"),
    [
        (1, RefusedBySite),
        (2, RefusedBySite),
        (3, RefusedBySite),
        (4, DeviceFailure),
        (5, BusySite),
        (6, BusySite),
        (10, PathFault),
        (11, NoAnswer),
    ],
)
def test_exception_codes_mean_what_the_standard_says(code: int, kind: type[ExchangeFailed]) -> None:
    # MODBUS Application Protocol V1.1b3 §7.
    async def work(exchanger: Exchanger) -> None:
        with pytest.raises(kind) as caught:
            await exchanger.ask(BLOCK, UPPER_WEIR)
        assert caught.value.code == code
        assert f"{code:02X}" in str(caught.value) or code == 11

    hold(work, [(0.1, framed(f"11 83 {code:02X}"))])


def test_a_late_answer_is_never_taken_for_another_blocks() -> None:
    async def work(exchanger: Exchanger) -> None:
        with pytest.raises(NoAnswer):
            await exchanger.ask(OTHER, UPPER_WEIR)  # its answer comes a second too late
        given = await exchanger.ask(BLOCK, UPPER_WEIR)
        assert given.words == WORDS

    port = hold(work, [(3.0, OTHER_ANSWER)], [(0.1, ANSWER)])
    first, second = (at for at, _ in port.sent)
    assert second >= first + 6.0  # it waited until the quarantine was over


def test_other_units_and_shapes_go_on_at_once() -> None:
    async def work(exchanger: Exchanger) -> None:
        with pytest.raises(NoAnswer):
            await exchanger.ask(OTHER, UPPER_WEIR)
        began = now()
        await exchanger.ask(ReadRequest(18, Table.HOLDING, 0x6B, 3), Station("Far", 18, 2.0))
        await exchanger.ask(ReadRequest(17, Table.INPUT, 8, 1), UPPER_WEIR)
        assert now() - began < 0.5

    hold(
        work,
        [],
        [(0.1, framed("12 03 06 02 2B 00 00 00 64"))],
        [(0.1, framed("11 04 02 00 0A"))],
    )


def test_the_same_question_may_be_asked_again_and_says_how_old_it_may_be() -> None:
    async def work(exchanger: Exchanger) -> None:
        with pytest.raises(NoAnswer):
            await exchanger.ask(BLOCK, UPPER_WEIR)
        given = await exchanger.ask(BLOCK, UPPER_WEIR)
        assert given.words == WORDS
        assert given.settled.span_s == pytest.approx(2.5)
        assert given.settled.is_suspect(poll_period_s=2.0)
        assert not given.settled.is_suspect(poll_period_s=60.0)

    port = hold(work, [(2.5, ANSWER)], [])
    assert port.sent[1][0] - port.sent[0][0] == pytest.approx(2.0)


def test_a_cancelled_read_leaves_its_answer_out() -> None:
    async def work(exchanger: Exchanger) -> None:
        asked = asyncio.ensure_future(exchanger.ask(OTHER, UPPER_WEIR))
        await asyncio.sleep(0.3)
        asked.cancel()
        await asyncio.gather(asked, return_exceptions=True)
        assert (await exchanger.ask(BLOCK, UPPER_WEIR)).words == WORDS

    hold(work, [(1.0, OTHER_ANSWER)], [(0.1, ANSWER)])


def test_what_is_out_survives_a_new_connection() -> None:
    async def work(exchanger: Exchanger) -> None:
        with pytest.raises(GatewayUnreachable):
            await exchanger.ask(OTHER, UPPER_WEIR)
        await exchanger.connect()
        assert (await exchanger.ask(BLOCK, UPPER_WEIR)).words == WORDS

    port = hold(work, [(0.1, ANSWER[:3]), (0.2, None)], [(0.1, ANSWER)])
    assert port.sent[1][0] - port.sent[0][0] >= 6.0


def test_lateness_seen_raises_the_quarantine_to_twice_itself() -> None:
    async def work(exchanger: Exchanger) -> None:
        with pytest.raises(NoAnswer):
            await exchanger.ask(OTHER, UPPER_WEIR)
        await exchanger.listen(now() + 3.0)
        assert exchanger.debts.worst_lateness == pytest.approx(4.0)
        assert exchanger.debts.quarantine_s == pytest.approx(8.0)

    hold(work, [(4.0, OTHER_ANSWER)])


# --- writes --------------------------------------------------------------------------------

ON = WriteRequest(17, WriteTarget(Table.COIL, 2, 15), (1,))
ON_ANSWER = framed("11 0F 00 02 00 01")
COIL_ON, COIL_OFF = framed("11 01 01 01"), framed("11 01 01 00")


def test_a_write_is_done_only_when_it_reads_back() -> None:
    async def work(exchanger: Exchanger) -> None:
        done = await write_and_read(exchanger, ON, UPPER_WEIR)
        assert done == (True, (1,))

    hold(work, [(0.1, ON_ANSWER)], [(0.1, COIL_ON)])


def test_an_answered_write_that_reads_back_otherwise_does_not_hold() -> None:
    async def work(exchanger: Exchanger) -> None:
        done = await write_and_read(exchanger, ON, UPPER_WEIR)
        assert done == (True, (0,))

    hold(work, [(0.1, ON_ANSWER)], [(0.1, COIL_OFF)])


def test_a_write_without_answer_is_not_sent_again_but_read_back() -> None:
    async def work(exchanger: Exchanger) -> None:
        done = await write_and_read(exchanger, ON, UPPER_WEIR)
        assert done == (False, (1,))

    port = hold(work, [], [(0.1, COIL_ON)])
    assert [frame[1] for _, frame in port.sent] == [15, 1]


def test_a_late_read_from_before_never_confirms_a_write() -> None:
    async def work(exchanger: Exchanger) -> None:
        read = ReadRequest(17, Table.COIL, 2, 1)
        with pytest.raises(NoAnswer):
            await exchanger.ask(read, UPPER_WEIR)  # asked before the write, answered after it
        done = await write_and_read(exchanger, ON, UPPER_WEIR)
        assert done.shows == (0,)

    hold(work, [(3.0, COIL_ON)], [(0.1, ON_ANSWER)], [(0.1, COIL_OFF)])


def test_own_bytes_on_a_line_without_echo_stop_all_writing() -> None:
    async def work(exchanger: Exchanger) -> None:
        with pytest.raises(NoAnswer):
            await exchanger.ask(BLOCK, UPPER_WEIR)
        with pytest.raises(ConfigError, match="local_echo = true"):
            await write_and_read(exchanger, ON, UPPER_WEIR)

    port = hold(work, [(0.01, bytes.fromhex("11 03 00 6B 00 03 76 87"))])
    assert len(port.sent) == 1


def test_with_local_echo_own_bytes_are_passed_over() -> None:
    async def work(exchanger: Exchanger) -> None:
        assert (await exchanger.ask(BLOCK, UPPER_WEIR)).words == WORDS

    hold(work, [(0.01, bytes.fromhex("11 03 00 6B 00 03 76 87")), (0.1, ANSWER)], echo=True)


def test_an_echo_alone_confirms_nothing() -> None:
    single = WriteRequest(17, WriteTarget(Table.HOLDING, 1, 6), (3,))
    echo = framed("11 06 00 01 00 03")  # its answer would be the same bytes

    async def work(exchanger: Exchanger) -> None:
        done = await write_and_read(exchanger, single, UPPER_WEIR)
        assert done == (False, None)

    hold(work, [(0.01, echo)], [(0.01, framed("11 03 00 01 00 01"))], echo=True)
