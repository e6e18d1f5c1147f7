"""The simulator's stations behind a line with one ordered fault, in virtual time.

What a station executes is noted here, by what reached it: that is the truth orders are held
against. A fault befalls writes (or the read-back), never the polls, so that an order gets as
far as its fault.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from random import Random
from typing import Final

from tallymast.benches.virtual import Reply
from tallymast.domain.model import Network, Table
from tallymast.simulator.faults import Faults
from tallymast.simulator.requests import Request, answer_frame, take_request
from tallymast.simulator.site_model import SiteModel
from tallymast.simulator.stations import READS, WRITES, Station

# What may befall an order; each is one word of the bench's figures.
FAULTS: Final = (
    "none",
    "line-gone",  # it breaks as the order is stored, and comes back after a while or too late
    "dies-before",  # with the write's bytes: the station never hears them
    "dies-during",  # it hears a part of them
    "dies-after",  # it obeys, and its answer is lost with the line
    "dies-at-read-back",
    "late-answer",
    "late-read-back",
    "unheard",  # the write is lost, the line stays
    "unanswered",  # the station obeys, its answer is lost
    "echoed",  # own bytes come back first, as the gateway is set to; half the writes are lost
    "echo-no-station",  # own bytes come back unasked for, and the station hears no write
    "by-hand",  # somebody switches the output at the site right after the write
)
SOON_S: Final = 0.08
LATE_S: Final = 4.5  # within the quarantine of 5 s
HAND_S: Final = 0.3


@dataclass
class Deed:
    """One write that a station accepted, or what a hand did at its output."""

    at_s: float
    unit: int
    start: int
    values: tuple[int, ...]
    by_hand: bool = False


@dataclass
class Shown:
    """What an output really showed when it was asked for alone, as a read-back does."""

    at_s: float
    unit: int
    start: int
    value: int


@dataclass
class FaultyLine:
    """The far side of the gateway's port.

    Args:
        network: its sites answer.
        fault: one of FAULTS.
        chance: of what is left open.
        wall_s: the time of day for a time of the loop.

    """

    network: Network
    fault: str
    chance: Random
    wall_s: Callable[[float], float]
    deeds: list[Deed] = field(default_factory=list)
    shown: list[Shown] = field(default_factory=list)
    struck: int = 0
    is_armed: bool = False
    is_echoing: bool = False
    is_dead: bool = False
    stations: dict[int, Station] = field(init=False)
    _hand: tuple[Table, Deed] | None = None

    def __post_init__(self) -> None:
        self.stations = {
            site.unit: Station(site, SiteModel(self.network, site, 1, Faults()))
            for site in self.network.sites
        }

    def __call__(self, frame: bytes, now: float) -> Iterator[Reply]:
        """Yield what comes back of a request, and when."""
        request = take_request(bytearray(frame))
        if request is None or request.unit not in self.stations:
            return
        self._note_echo(request)
        if self.fault == "echoed" or self.is_echoing:
            yield 0.002, frame
        at_s = self.wall_s(now)
        self.let_hands_act(at_s)
        if request.function in WRITES:
            yield from self._write(request, at_s)
        elif self.is_dead:
            return
        elif self.is_armed and self.fault.endswith("read-back") and self._is_read_back(request):
            yield from self._read_back(request, at_s)
        else:
            yield SOON_S, self._answer(request, at_s)

    def begin(self) -> None:
        """Be whole again for the next order."""
        self.is_armed = self.is_echoing = self.is_dead = False

    def _note_echo(self, request: Request) -> None:
        """Begin with a write to send own bytes back; half the time no station is there any more."""
        if self.fault == "echo-no-station" and request.function in WRITES:
            self.is_echoing, self.is_dead = True, self.chance.random() < 0.5

    # --- what befalls a write --------------------------------------------------------------

    def _write(self, request: Request, at_s: float) -> Iterator[Reply]:
        self.is_armed = True
        self.struck += 1
        if self._is_lost():
            if self.fault.startswith("dies"):
                yield SOON_S, None
            return
        answer = self._answer(request, at_s)
        if self.fault == "by-hand" and self.deeds:
            self._switch_by_hand(request, at_s + HAND_S * self.chance.random())
        if self.fault == "dies-after":
            yield SOON_S, None
        elif self.fault == "late-answer":
            yield 1.0 + (LATE_S - 1.0) * self.chance.random(), answer
        elif self.fault != "unanswered":
            yield SOON_S, answer

    def _is_lost(self) -> bool:
        """Whether the station does not hear this write."""
        if self.fault == "echoed":
            return self.chance.random() < 0.5
        return self.fault in ("dies-before", "dies-during", "unheard", "echo-no-station")

    def _read_back(self, request: Request, at_s: float) -> Iterator[Reply]:
        self.is_armed = False
        if self.fault == "dies-at-read-back":
            yield SOON_S, None
        else:
            yield 1.0 + (LATE_S - 1.0) * self.chance.random(), self._answer(request, at_s)

    def _is_read_back(self, request: Request) -> bool:
        if request.pdu is None or not self.deeds:
            return False
        return bool(request.pdu.address == self.deeds[-1].start and request.pdu.count == 1)

    def _answer(self, request: Request, at_s: float) -> bytes:
        self._note_shown(request, at_s)
        pdu = self.stations[request.unit].answer(request, at_s)
        if request.function in WRITES and not pdu.isError() and request.pdu is not None:
            self.deeds.append(Deed(at_s, request.unit, request.pdu.address, _values(request)))
        return answer_frame(request, pdu)

    def _note_shown(self, request: Request, at_s: float) -> None:
        if request.function in READS and request.pdu is not None and request.pdu.count == 1:
            start, table = request.pdu.address, READS[request.function][0]
            (value,) = self.stations[request.unit].read(table, start, 1, at_s)
            self.shown.append(Shown(at_s, request.unit, start, value))

    # --- hands -----------------------------------------------------------------------------

    def _switch_by_hand(self, request: Request, at_s: float) -> None:
        """Let somebody at the site set the output otherwise, some instant after the write."""
        assert request.pdu is not None
        table, _ = WRITES[request.function]
        held = _values(request)[0]
        other = 1 - held if table.holds_bits else 0
        self._hand = (table, Deed(at_s, request.unit, request.pdu.address, (other,), True))

    def let_hands_act(self, at_s: float) -> None:
        """Do what a hand was to do up to now; nobody reads an output between two requests."""
        if self._hand is not None and self._hand[1].at_s <= at_s:
            table, deed = self._hand
            self._hand = None
            self.stations[deed.unit].outputs.write(table, deed.start, deed.values, deed.at_s)
            self.deeds.append(deed)


def _values(request: Request) -> tuple[int, ...]:
    """Return what a write asks for."""
    pdu = request.pdu
    assert pdu is not None
    table, _ = WRITES[request.function]
    return tuple(int(bit) for bit in pdu.bits[:1]) if table.holds_bits else tuple(pdu.registers)
