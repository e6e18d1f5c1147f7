"""Exchanges on a hostile line, in virtual time: wrong values and false confirmations are counted.

Every register tells unit, function and address, so a wrong value is seen at once. The same
seed gives the same run.
"""

import asyncio
import struct
from contextlib import suppress
from dataclasses import dataclass, field
from random import Random
from typing import NamedTuple

from tallymast.benches.hostile import HOLDING, HostileLine, word_at
from tallymast.benches.virtual import MemoryPort, Reply, Script, run_virtual
from tallymast.domain.errors import (
    BusySite,
    ConfigError,
    ExchangeFailed,
    GarbledAnswer,
    GatewayUnreachable,
    NoAnswer,
)
from tallymast.domain.modbus.requests import ReadRequest, WriteRequest
from tallymast.domain.model import Gateway, Table, Transport, WriteTarget
from tallymast.polling.exchange import READ_BACK_TRIES, Exchanger, Station

TIMEOUT_S = 2.0
QUARANTINE_S = 6.0
HUNG_AFTER_S = 300.0
SITES = 3  # few, so that late answers meet requests they could be taken for
# Starts and counts: many reads look alike, which is what a late answer needs to do harm.
BLOCKS = ((0, 4), (10, 4), (20, 4), (40, 7), (60, 7))

HOSTILE = {
    "good": 40.0,
    "late": 8.0,
    "lost": 5.0,
    "never-heard": 3.0,
    "repeated": 5.0,
    "coalesced": 3.0,
    "noise-before": 5.0,
    "noise-after": 5.0,
    "split": 6.0,
    "bad-crc": 5.0,
    "wrong-unit": 4.0,
    "wrong-count": 3.0,
    "exception": 5.0,
    "reset": 3.0,
}
BEYOND = {"good": 60.0, "late": 30.0, "lost": 10.0}
ONE_SITE = {"good": 90.0, "late": 5.0, "lost": 5.0}


@dataclass
class Tally:
    """What came of a run."""

    wrong: int = 0
    false_confirmations: int = 0
    hung: int = 0
    answered: int = 0
    failed: dict[str, int] = field(default_factory=dict)
    exchanges: int = 0
    seconds: float = 0.0


def run(exchanges: int = 2000, seed: int = 1) -> dict[str, object]:
    """Hold exchanges on hostile lines.

    Args:
        exchanges: how many, over lines with and without an echo.
        seed: of the line.

    Returns:
        ``wrong_values``, ``false_confirmations`` and ``hung`` within the quarantine,
        ``beyond_quarantine_wrong`` with answers up to three quarantines late, and
        ``one_site_ratio``: answered per second by one site with 5 % lost and 5 % late, as a
        share of what the timeouts alone allow; ``twelve_sites_ratio`` the same for twelve sites
        in turn, and ``twelve_sites_wrong`` their wrong values.

    """
    plain = _line(seed, QUARANTINE_S, HOSTILE, echoes=False)
    echoing = _line(seed + 1, QUARANTINE_S, HOSTILE, echoes=True)
    tallies = [
        run_virtual(_abuse(line, exchanges * share // 4, seed))
        for line, share in ((plain, 3), (echoing, 1))
    ]
    too_late = _line(seed + 2, 3 * QUARANTINE_S, BEYOND, echoes=False)
    beyond = run_virtual(_abuse(too_late, exchanges // 4, seed))
    twelve = run_virtual(_share(seed, max(exchanges // 4, 400), 12))
    return {
        "exchanges": sum(tally.exchanges for tally in tallies),
        "wrong_values": sum(tally.wrong for tally in tallies),
        "false_confirmations": sum(tally.false_confirmations for tally in tallies),
        "hung": sum(tally.hung for tally in tallies),
        "lateness_ms": round(1000 * max(plain.worst_s, echoing.worst_s)),
        "beyond_quarantine_wrong": beyond.wrong + beyond.false_confirmations,
        "one_site_ratio": run_virtual(_share(seed, max(exchanges // 4, 400), 1))[0],
        "twelve_sites_ratio": twelve[0],
        "twelve_sites_wrong": twelve[1],
        "answered": sum(tally.answered for tally in tallies),
    }


def _line(seed: int, latest_s: float, fates: dict[str, float], echoes: bool) -> HostileLine:
    # Nothing comes later than the quarantine: 1 % less, since it counts from the sending.
    return HostileLine(Random(seed), 0.99 * latest_s, fates, echoes)


def gateway(local_echo: bool) -> Gateway:
    """Return the gateway the bench polls through."""
    return Gateway(
        "bench",
        "Bench mast",
        Transport.RTU_OVER_TCP,
        "in memory",
        quarantine_s=QUARANTINE_S,
        min_gap_ms=0.0,
        local_echo=local_echo,
    )


async def _abuse(line: HostileLine, exchanges: int, seed: int) -> Tally:
    chance, tally = Random(seed), Tally()
    exchanger = Exchanger(MemoryPort(line), gateway(line.echoes))
    await exchanger.connect()
    while exchanger.exchanges < exchanges:
        act = chance.choices((_read, _write, _cancelled), (85, 10, 5))[0]
        try:
            async with asyncio.timeout(HUNG_AFTER_S):
                await act(exchanger, line, chance, tally)
        except TimeoutError:
            tally.hung += 1
        except GatewayUnreachable:
            await _connect(exchanger)
        except (ExchangeFailed, ConfigError) as failed:
            name = type(failed).__name__
            tally.failed[name] = tally.failed.get(name, 0) + 1
    tally.exchanges = exchanger.exchanges
    exchanger.close()
    return tally


async def _connect(exchanger: Exchanger) -> None:
    while True:
        try:
            return await exchanger.connect()
        except GatewayUnreachable:  # a reset of the old connection reached the new one
            continue


def _station(unit: int) -> Station:
    return Station(f"Site {unit}", unit, TIMEOUT_S)


def _some_read(chance: Random) -> ReadRequest:
    start, count = chance.choice(BLOCKS)
    return ReadRequest(chance.randint(1, SITES), Table.INPUT, start, count)


async def _read(exchanger: Exchanger, _: HostileLine, chance: Random, tally: Tally) -> None:
    request = _some_read(chance)
    given = await exchanger.ask(request, _station(request.unit))
    tally.answered += 1
    tally.wrong += given.words != _true_words(request)


def _true_words(request: ReadRequest) -> bytes:
    words = (
        word_at(request.unit, request.function, request.start + n) for n in range(request.count)
    )
    return b"".join(word.to_bytes(2, "big") for word in words)


async def _write(exchanger: Exchanger, line: HostileLine, chance: Random, tally: Tally) -> None:
    unit, start = chance.randint(1, SITES), chance.choice((100, 110))
    values = tuple(chance.randrange(2**16) for _ in range(chance.choice((1, 2))))
    target = WriteTarget(Table.HOLDING, start, 16 if len(values) > 1 else chance.choice((6, 16)))
    done = await write_and_read(exchanger, WriteRequest(unit, target, values), _station(unit))
    held = tuple(line.holds(unit, HOLDING, start + n) for n in range(len(values)))
    tally.answered += done.answered
    tally.false_confirmations += done.shows == values and held != values


class Written(NamedTuple):
    """What became of a write: whether it was answered, and what was read back; None: nothing."""

    answered: bool
    shows: tuple[int, ...] | None


async def write_and_read(exchanger: Exchanger, request: WriteRequest, station: Station) -> Written:
    """Write once and read the same addresses back, as an order does whose turn always comes.

    Raises:
        ConfigError, ExchangeFailed: as ``Exchanger.write_once``.

    """
    answered = await exchanger.write_once(request, station)
    sent_at = exchanger.last_sent_at
    read = ReadRequest(request.unit, request.target.table, request.start, request.count)
    await exchanger.listen(exchanger.debts.certain_from(read, asyncio.get_running_loop().time()))
    for _ in range(READ_BACK_TRIES):
        with suppress(NoAnswer, GarbledAnswer, BusySite):
            given = await exchanger.read_since(read, station, sent_at)
            if given is not None:
                return Written(answered, _numbers(read, given.words))
    return Written(answered, None)


def _numbers(read: ReadRequest, words: bytes) -> tuple[int, ...]:
    numbers = struct.unpack(f">{len(words) // 2}H", words)
    if read.table.holds_bits:  # sixteen to a word, the first in its lowest bit
        return tuple(numbers[n // 16] >> n % 16 & 1 for n in range(read.count))
    return numbers


async def _cancelled(exchanger: Exchanger, _: HostileLine, chance: Random, tally: Tally) -> None:
    request = _some_read(chance)
    asked = asyncio.ensure_future(exchanger.ask(request, _station(request.unit)))
    await asyncio.sleep(chance.random() * TIMEOUT_S)
    asked.cancel()
    result = (await asyncio.gather(asked, return_exceptions=True))[0]
    if isinstance(result, GatewayUnreachable):
        raise result
    if not isinstance(result, BaseException):
        tally.wrong += result.words != _true_words(request)


async def _share(seed: int, visits: int, sites: int) -> tuple[float, int]:
    """Return answered per second against the same fates with timeouts alone; and wrong values."""
    line = _line(seed + 3, QUARANTINE_S, ONE_SITE, echoes=False)
    delays: list[float] = []
    exchanger = Exchanger(MemoryPort(_noted(line, delays)), gateway(False))
    await exchanger.connect()
    loop = asyncio.get_running_loop()
    began, answered, wrong = loop.time(), 0, 0
    for n in range(visits):
        start, count = BLOCKS[0] if n // sites % 2 else BLOCKS[3]
        request = ReadRequest(1 + n % sites, Table.INPUT, start, count)
        try:
            given = await exchanger.ask(request, _station(request.unit))
            wrong += given.words != _true_words(request)
            answered += 1
        except ExchangeFailed:
            continue
    took_s = loop.time() - began
    in_time = [delay for delay in delays if delay <= TIMEOUT_S]
    ideal_s = sum(in_time) + TIMEOUT_S * (len(delays) - len(in_time))
    return round((answered / took_s) / (len(in_time) / ideal_s), 3), wrong


def _noted(line: HostileLine, delays: list[float]) -> Script:
    def script(frame: bytes, now: float) -> list[Reply]:
        replies = list(line(frame, now))
        delays.append(replies[0][0] if replies else float("inf"))
        return replies

    return script
