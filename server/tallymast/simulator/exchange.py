"""What becomes of one request behind a gateway: who answers, what the way back does to it.

The station is asked once; then the radio and the ordered faults decide whether its answer is
sent, lost, late or garbled, and the truth is told whatever happens.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from pymodbus.pdu import ExceptionResponse
from pymodbus.pdu.pdu import ModbusPDU

from tallymast.domain.model import Site
from tallymast.simulator.chance import Chance
from tallymast.simulator.faults import FaultKind, Faults
from tallymast.simulator.radio_path import RadioPath
from tallymast.simulator.requests import Request, answer_frame
from tallymast.simulator.site_model import SiteModel
from tallymast.simulator.stations import READS, WRITES, Station
from tallymast.simulator.truth import Fate, Truth, TruthLine, packed

GARBLING = (FaultKind.NOISE, FaultKind.SHARED_ADDRESS)


@dataclass(frozen=True, slots=True)
class Answered:
    """What comes back from a station.

    Attributes:
        frame: the bytes as they arrive at the gateway, perhaps garbled.
        delay_s: from the end of the request's silence to the answer's first character.
        late_s: how much later than that it arrives; the channel is free meanwhile.

    """

    frame: bytes
    delay_s: float
    late_s: float = 0.0


@dataclass(frozen=True, slots=True)
class RemoteSite:
    """A site with its station, the radio path to it, and the repeaters that carry it."""

    site: Site
    station: Station
    path: RadioPath
    carriers: tuple[Site, ...]
    models: tuple[SiteModel, ...]  # its own and its carriers': without power all are silent


class Responder:
    """Everything behind one gateway.

    Args:
        gateway: the gateway's key.
        sites: the sites by unit address.
        faults: ordered troubles.
        truth: where every answer is told.
        seed: for the lot that decides whom a fault's rate hits.

    """

    def __init__(
        self,
        gateway: str,
        sites: Mapping[int, RemoteSite],
        faults: Faults,
        truth: Truth,
        seed: int,
    ) -> None:
        self._gateway = gateway
        self._sites = sites
        self._faults = faults
        self._truth = truth
        self._seed = seed

    def answer(self, request: Request, at_s: float) -> Answered | None:
        """Return what comes back of a request heard at ``at_s``; None is silence."""
        remote = self._sites.get(request.unit)
        if remote is None or self._is_silent(remote, at_s):
            return None
        pdu = self._reply(remote, request, at_s)
        fate, late_s = self._fate(remote, at_s)
        if fate is Fate.GARBLED and request.transaction is not None:
            fate = Fate.LOST  # a converter drops what its line garbled
        self._tell(request, pdu, at_s, fate)
        if fate is Fate.LOST:
            return None
        frame = answer_frame(request, pdu)
        if fate is Fate.GARBLED:
            frame = garbled(frame, self._chance("how", remote.site), at_s)
        return Answered(frame, self._delay_s(remote, at_s), late_s)

    def _reply(self, remote: RemoteSite, request: Request, at_s: float) -> ModbusPDU:
        at_ms = _ms(np.array([at_s]))
        for fault in self._faults.of(FaultKind.REFUSED, remote.site):
            if self._faults.during(fault, at_ms)[0]:
                return ExceptionResponse(request.function, fault.code, request.unit)
        return remote.station.answer(request, at_s)

    def _is_silent(self, remote: RemoteSite, at_s: float) -> bool:
        """Whether the station, or a repeater on the way to it, is dead or without power."""
        on_the_way = (remote.site, *remote.carriers)
        if any(self._hit(FaultKind.DEAD, site, at_s) for site in on_the_way):
            return True
        at = np.array([at_s])
        return not all(model.power.is_on(at)[0] for model in remote.models)

    def _fate(self, remote: RemoteSite, at_s: float) -> tuple[Fate, float]:
        at = np.array([at_s])
        signal = remote.models[0].signal_dbm(at)
        disturbed = self._faults.rate(FaultKind.INTERFERENCE, remote.site, _ms(at))
        is_lost = remote.path.loses(at, signal, disturbed)[0]
        if is_lost or self._hit(FaultKind.LOST, remote.site, at_s):
            return Fate.LOST, 0.0
        if self._hit(FaultKind.LATE, remote.site, at_s):
            return Fate.LATE, float(self._faults.extra_s(remote.site, _ms(at))[0])
        if any(self._hit(kind, remote.site, at_s) for kind in GARBLING):
            return Fate.GARBLED, 0.0
        return Fate.SENT, 0.0

    def _hit(self, kind: FaultKind, site: Site, at_s: float) -> bool:
        at_ms = _ms(np.array([at_s]))
        rate = self._faults.rate(kind, site, at_ms)[0]
        return bool(self._chance(kind, site).uniform(at_ms)[0] < rate)

    def _delay_s(self, remote: RemoteSite, at_s: float) -> float:
        at = np.array([at_s])
        added = float(remote.path.delay_s(at, remote.models[0].signal_dbm(at))[0])
        return remote.site.turnaround_ms / 1000 + added

    def _chance(self, what: str, site: Site) -> Chance:
        return Chance(self._seed, site.key, "fault", what)

    def _tell(self, request: Request, pdu: ModbusPDU, at_s: float, fate: Fate) -> None:
        known = READS.get(request.function) or WRITES.get(request.function)
        if known is None or request.pdu is None or pdu.isError():
            return
        table, _ = known
        source = pdu if request.function in READS else request.pdu
        values = packed(source.bits) if table.holds_bits else [int(w) for w in source.registers]
        line = TruthLine(
            int(at_s * 1000),
            self._gateway,
            request.unit,
            request.function,
            table,
            request.pdu.address,
            request.pdu.count or 1,
            values,
            fate,
        )
        self._truth.tell(line)


def garbled(frame: bytes, chance: Chance, at_s: float) -> bytes:
    """Return the frame with one byte changed, or without its end: its CRC no longer holds."""
    lot = chance.uniform(np.arange(3) + int(at_s * 1000) * 3)
    place = int(lot[0] * len(frame))
    if lot[1] < 0.25:  # Ours: a quarter of the noise cuts an answer short.
        return frame[: max(1, place)]
    wrong = frame[place] ^ (1 + int(lot[2] * 255))
    return frame[:place] + bytes([wrong]) + frame[place + 1 :]


def _ms(at_s: np.ndarray) -> np.ndarray:
    return (at_s * 1000).astype(np.int64)
