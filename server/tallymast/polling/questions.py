"""Puts a question that is no poll to an address, and says what it drew; nothing is recorded.

Whoever answers here may be nobody's site. What comes is told as it came: words, a refusal,
bytes of which none is valid, or nothing.
"""

import asyncio
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, NamedTuple

from tallymast.domain.errors import (
    ExchangeFailed,
    GarbledAnswer,
    GatewayUnreachable,
    NoAnswer,
    PathFault,
)
from tallymast.domain.modbus.requests import ReadRequest
from tallymast.domain.model import Table
from tallymast.polling.exchange import Exchanger, Station

SHORTEST_S, LONGEST_S = 0.05, 60.0  # Ours: what a reply timeout may be


@dataclass(frozen=True, slots=True)
class Span:
    """Addresses one question reads."""

    table: Table
    start: int
    count: int

    @staticmethod
    def of(written: Any) -> "Span":
        """Return ``[table, start, count]`` as it is written in a job.

        Raises:
            ValueError, TypeError: it is none, or no single request can hold it.

        """
        table, start, count = written
        span = Span(Table(table), int(start), int(count))
        span.request(1)
        return span

    def request(self, unit: int) -> ReadRequest:
        """Return the read that asks a unit for it."""
        return ReadRequest(unit, self.table, self.start, self.count)


class Heard(StrEnum):
    """What a question drew."""

    ANSWER = "answer"
    REFUSAL = "refusal"  # a station is there and says no
    GARBLED = "garbled"  # bytes came, none of them valid
    SILENCE = "silence"


class Drawn(NamedTuple):
    """What a question drew.

    Attributes:
        code: the Modbus exception code, else 0. With silence it is the gateway's word (0A, 0B).
        ms: from the first byte out to the last byte in, where a station answered [ms].
        words: what was read.
        said: the same in a sentence.

    """

    heard: Heard
    code: int
    ms: float | None
    words: bytes
    said: str

    @property
    def is_somebody(self) -> bool:
        """Whether a station has proved to be there."""
        return self.heard in (Heard.ANSWER, Heard.REFUSAL)


@dataclass(frozen=True, slots=True)
class Question:
    """Whom to ask for what, and how long to wait [s]."""

    unit: int
    span: Span
    timeout_s: float

    @property
    def request(self) -> ReadRequest:
        """The read that asks it."""
        return self.span.request(self.unit)


def unit_of(written: Any) -> int:
    """Return a unit address as it is written in a job.

    Raises:
        ValueError, TypeError: it is none.

    """
    unit = int(written)
    if not 1 <= unit <= 247:
        raise ValueError(f"a unit address is 1 to 247, not {unit}")
    return unit


def timeout_of(written: Any) -> float | None:
    """Return the reply timeout a job names [s], None where it names none.

    Raises:
        ValueError, TypeError: it is no number of 0.05 to 60 s.

    """
    if written is None:
        return None
    timeout_s = float(written)
    if not SHORTEST_S <= timeout_s <= LONGEST_S:
        raise ValueError(f"a reply timeout is {SHORTEST_S:g} to {LONGEST_S:g} s")
    return timeout_s


def may_go(exchanger: Exchanger, question: Question) -> bool:
    """Return whether a question may go now, and any answer to it would be believed."""
    now, request = asyncio.get_running_loop().time(), question.request
    return exchanger.earliest(request, now) <= now and exchanger.debts.believes_exception(
        request, now
    )


async def put(exchanger: Exchanger, question: Question) -> Drawn:
    """Ask, and return what came.

    Raises:
        GatewayUnreachable: the connection is lost.

    """
    station = Station(f"Unit {question.unit}", question.unit, question.timeout_s)
    try:
        given = await exchanger.ask(question.request, station)
    except GatewayUnreachable:
        raise
    except ExchangeFailed as failed:
        heard = _heard(failed)
        ms = _ms(exchanger) if heard is Heard.REFUSAL else None
        return Drawn(heard, failed.code, ms, b"", str(failed))
    ms = _ms(exchanger)
    return Drawn(Heard.ANSWER, 0, ms, given.words, f"{station.name}: answered in {ms:.0f} ms.")


def _heard(failed: ExchangeFailed) -> Heard:
    if isinstance(failed, GarbledAnswer):
        return Heard.GARBLED
    # What the gateway says in a station's place (0A, 0B) proves nobody's presence.
    return Heard.SILENCE if isinstance(failed, NoAnswer | PathFault) else Heard.REFUSAL


def _ms(exchanger: Exchanger) -> float:
    return round(1000 * (exchanger.last_answer_s or 0.0), 1)
