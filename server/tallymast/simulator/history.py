"""Polls as a poller would have recorded them in the past, without waiting for them.

The values are those the live simulation shows at the same instants. Each poll is asked at its
place in a steady cycle. A site that does not answer is asked as the poller asks it: the first
miss with all its retries, then once, and in comm fail at doubling pauses. A poll that a retry
answered is stamped, and its words are read, when that was; one that was missed, when it began.
A UTC day is computed at once.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from tallymast.domain.contact import FAIL_AFTER_MS, Patience, patience
from tallymast.domain.model import (
    Block,
    Network,
    Outcome,
    Point,
    Poll,
    PollClass,
    PollFlag,
    Site,
    SiteLayout,
    Transport,
)
from tallymast.domain.record.chunks import PollColumns, block_widths, polls_of
from tallymast.simulator.chance import Chance, Floats, Ints
from tallymast.simulator.exchange import GARBLING
from tallymast.simulator.faults import FaultKind, Faults
from tallymast.simulator.radio_network import repeaters
from tallymast.simulator.radio_path import STEADY, Radio, RadioPath
from tallymast.simulator.site_model import SiteModel
from tallymast.simulator.stations import point_words

DAY_MS = 86_400_000
RETRY_AFTER_S = 1.0
SENT, LOST, LATE, GARBLED, SILENT = range(5)  # what becomes of one exchange
_LEAD_IN_MS = 6 * 3_600_000  # a silence is followed this far back, to know how it is probed


@dataclass(frozen=True, slots=True)
class World:
    """A simulated network: what it is, its seed, what goes wrong, how lively the radio is."""

    network: Network
    seed: int
    faults: Faults
    radio: Radio = STEADY


def history(
    network: Network,
    site: Site,
    layout: SiteLayout,
    from_ms: int,
    to_ms: int,
    seed: int,
    *,
    faults: Faults | None = None,
    radio: Radio = STEADY,
    slow_every_s: float = 3600.0,
) -> Iterator[Poll]:
    """Yield a site's polls of ``from_ms <= at_ms < to_ms``, ascending in time."""
    past = Past(World(network, seed, faults or Faults(), radio), site, layout, slow_every_s)
    for columns in past.days(from_ms, to_ms):
        yield from polls_of(columns, layout.site_id, layout.id)


class Past:
    """One site's past.

    Args:
        world: the simulated network.
        site: whose.
        layout: what its polls read.
        slow_every_s: how often the slow blocks are read.

    """

    def __init__(
        self, world: World, site: Site, layout: SiteLayout, slow_every_s: float = 3600.0
    ) -> None:
        self.site = site
        self.layout = layout
        self._faults = world.faults
        self._slow_every_ms = round(1000 * slow_every_s)
        carriers = repeaters(world.network, site)
        self._sites = (site, *carriers)
        self._models = [
            SiteModel(world.network, one, world.seed, world.faults) for one in self._sites
        ]
        self._path = RadioPath(world.radio, site, len(carriers), world.seed)
        self._lot = Chance(world.seed, site.key, "past")
        self._phase_ms = round(self._lot.between(0.0, 1.0) * site.poll_every_s * 1000)
        gateway = next(one for one in world.network.gateways if one.key == site.gateway)
        self._patience = patience(site, gateway)
        self._drops_garbled = gateway.transport is Transport.MODBUS_TCP

    def days(self, from_ms: int, to_ms: int) -> Iterator[PollColumns]:
        """Yield the polls of ``from_ms <= at_ms < to_ms``, a UTC day (or its part) at a time."""
        begin = from_ms
        while begin < to_ms:
            end = min(to_ms, begin - begin % DAY_MS + DAY_MS)
            columns = self.polls(begin, end)
            if len(columns):
                yield columns
            begin = end

    def polls(self, from_ms: int, to_ms: int) -> PollColumns:
        """Return the polls of a span."""
        at_ms = self._instants(from_ms - _LEAD_IN_MS, to_ms)
        at_ms = at_ms[~self._faults.holds(FaultKind.ABSENT, self.site, at_ms)]
        outcome, tries = self._outcomes(at_ms)
        asked, once = probed(at_ms, _is_missed(outcome), self._patience)
        tries = np.where(once, 1, tries)
        begun = at_ms
        at_ms = np.where(outcome == Outcome.RETRIED, self.try_at_ms(begun, tries - 1), begun)
        rows = asked & (at_ms >= from_ms) & (at_ms < to_ms)
        return self._columns(begun[rows], at_ms[rows], outcome[rows], tries[rows])

    def _instants(self, from_ms: int, to_ms: int) -> Ints:
        every = round(self.site.poll_every_s * 1000)
        first = from_ms + (self._phase_ms - from_ms) % every
        return np.arange(first, to_ms, every, dtype=np.int64)

    # --- contact

    def _outcomes(self, at_ms: Ints) -> tuple[Ints, Ints]:
        """Return how each poll ends and at which try (all of them where none succeeds)."""
        most = self._most_tries()
        tries = np.zeros(len(at_ms), dtype=np.int64)
        spoiled = np.zeros(len(at_ms), dtype=bool)
        for n in range(most):
            left = np.flatnonzero(tries == 0)
            if not len(left):
                break
            fate = self.fates(self.try_at_ms(at_ms[left], n) / 1000.0)
            tries[left[fate == SENT]] = n + 1
            spoiled[left] |= fate == GARBLED
        answered = np.where(tries == 1, Outcome.FIRST_TRY, Outcome.RETRIED)
        missed = np.where(spoiled, Outcome.GARBLED, Outcome.NO_ANSWER)
        outcome = np.where(tries > 0, answered, missed).astype(np.int64)
        outcome[self._faults.is_down(self.site.gateway, at_ms)] = Outcome.GATEWAY_LOST
        return outcome, np.where(tries > 0, tries, most)

    def try_at_ms(self, begun_ms: Ints, n: Ints | int) -> Ints:
        """Return when try ``n`` of polls begins, the first being 0 [ms since 1970 UTC]."""
        return np.asarray(begun_ms + n * self._pause_ms)

    def begun_ms(self, columns: PollColumns) -> Ints:
        """Return when the first try of each of its polls began [ms since 1970 UTC]."""
        is_retried = columns.outcome == Outcome.RETRIED
        return self.try_at_ms(columns.at_ms, np.where(is_retried, 1 - columns.tries, 0))

    @property
    def _pause_ms(self) -> int:
        return round(1000 * (RETRY_AFTER_S + self.site.reply_timeout_s))

    def _most_tries(self) -> int:
        """Return how often a poll is tried: retries end when the next poll falls due."""
        every = round(self.site.poll_every_s * 1000)
        return min(self.site.retries, (every - 1) // self._pause_ms) + 1

    def fates(self, at_s: Floats) -> Ints:
        """Return what becomes of an exchange begun at each instant.

        Returns:
            SENT, LOST, LATE, GARBLED; SILENT where the station does not answer at all.

        """
        at_ms = (at_s * 1000).astype(np.int64)
        fate = np.full(len(at_ms), SENT, dtype=np.int64)
        for kind in GARBLING:
            fate[self._hit(kind, self.site, at_ms, 2)] = GARBLED
        if self._drops_garbled:  # a converter drops what its line garbled
            fate[fate == GARBLED] = LOST
        fate[self._hit(FaultKind.LATE, self.site, at_ms, 1)] = LATE
        fate[self._hit(FaultKind.LOST, self.site, at_ms, 1)] = LOST
        disturbed = self._faults.rate(FaultKind.INTERFERENCE, self.site, at_ms)
        fate[self._path.loses(at_s, self._models[0].signal_dbm(at_s), disturbed)] = LOST
        for model, site in zip(self._models, self._sites, strict=True):
            fate[~model.power.is_on(at_s) | self._hit(FaultKind.DEAD, site, at_ms, 0)] = SILENT
        return fate

    def _hit(self, kind: FaultKind, site: Site, at_ms: Ints, shift: int) -> np.ndarray:
        return np.asarray(self._lot.uniform(at_ms + shift) < self._faults.rate(kind, site, at_ms))

    # --- columns

    def _columns(self, begun: Ints, at_ms: Ints, outcome: Ints, tries: Ints) -> PollColumns:
        is_answered = outcome <= Outcome.RETRIED
        is_down = outcome == Outcome.GATEWAY_LOST
        refused, code = self.refusals(at_ms)
        refused &= is_answered
        every = round(self.site.poll_every_s * 1000)
        is_slow = (begun - self._phase_ms) % self._slow_every_ms < every
        blocks = self.layout.blocks
        of_all = (1 << len(blocks)) - 1
        of_fast = sum(1 << n for n, block in enumerate(blocks) if block.poll is PollClass.FAST)
        got = np.where(is_slow, of_all, of_fast) * (is_answered & ~refused)
        tenths = np.rint(10.0 * self._answer_ms(at_ms)).astype(np.int64)
        return PollColumns(
            at_ms=at_ms,
            outcome=outcome,
            flags=np.where(refused, int(PollFlag.REFUSED), 0).astype(np.int64),
            tries=np.where(is_down, 0, tries),
            answer_tenths=np.where(is_answered, tenths, -1),
            got=got.astype(np.int64),
            code=np.where(refused, code, 0),
            words=self._words(at_ms, got),
            widths=block_widths(blocks),
        )

    def refusals(self, at_ms: Ints) -> tuple[np.ndarray, Ints]:
        """Return at which instants the station refuses every read, and with which code."""
        refused = np.zeros(len(at_ms), dtype=bool)
        code = np.zeros(len(at_ms), dtype=np.int64)
        for fault in self._faults.of(FaultKind.REFUSED, self.site):
            holds = self._faults.during(fault, at_ms)
            refused |= holds
            code[holds] = fault.code
        return refused, code

    def _answer_ms(self, at_ms: Ints) -> Floats:
        at_s = at_ms / 1000.0
        wire_ms = 35.0 + self.site.turnaround_ms
        return wire_ms + 1000.0 * self._path.delay_s(at_s, self._models[0].signal_dbm(at_s))

    def _words(self, at_ms: Ints, got: Ints) -> np.ndarray:
        """Return n x W registers; those of a block that was not got are 0."""
        blocks = self.layout.blocks
        whole = np.zeros((len(at_ms), sum(block.words for block in blocks)), np.uint16)
        place = 0
        for n, block in enumerate(blocks):
            rows = np.flatnonzero(got >> n & 1)
            if len(rows):
                image = self.image(block, np.floor(at_ms[rows] / 1000.0))
                whole[rows, place : place + block.words] = image
            place += block.words
        return whole

    def image(self, block: Block, at_s: Floats) -> np.ndarray:
        """Return a block's words at each instant, shape (instants, words)."""
        cells = np.zeros((len(at_s), block.count), dtype=np.uint16)
        for point in self.site.points:
            if point.table is block.table and _lies_in(point, block):
                self._lay(cells, point, point.register - block.start, at_s)
        if block.table.holds_bits:
            cells = _packed(cells, block.words)
        return cells

    def _lay(self, cells: np.ndarray, point: Point, offset: int, at_s: Floats) -> None:
        words = point_words(self._models[0], point, at_s)
        first, last = max(0, offset), min(cells.shape[1], offset + words.shape[1])
        if first < last:
            cells[:, first:last] |= words[:, first - offset : last - offset]


def probed(at_ms: Ints, missed: np.ndarray, limits: Patience) -> tuple[np.ndarray, np.ndarray]:
    """Return which polls of a steady cycle are asked at all, and which with a single try.

    Args:
        at_ms: when each would be asked, ascending.
        missed: whether it would be missed.
        limits: when a site fails, and how it is asked then.

    """
    asked = np.ones(len(at_ms), dtype=bool)
    once = np.zeros(len(at_ms), dtype=bool)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], missed.astype(np.int8), [0]))))
    for first, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        once[first + 1 : end] = True
        if end - first < limits.miss_limit:
            continue
        failed = max(
            first + limits.miss_limit - 1, int(np.searchsorted(at_ms, at_ms[first] + FAIL_AFTER_MS))
        )
        _keep_probes(asked, at_ms, min(failed, end), end, limits)
    return asked, once


def _keep_probes(asked: np.ndarray, at_ms: Ints, failed: int, end: int, limits: Patience) -> None:
    """Leave only probes in a silence, up to the one that finds it has ended."""
    place, pause_ms = failed, 1000.0 * limits.first_probe_s
    while place < end:
        following = int(np.searchsorted(at_ms, at_ms[place] + pause_ms))
        asked[place + 1 : following] = False
        place, pause_ms = following, min(2 * pause_ms, 1000.0 * limits.probe_ceiling_s)


def _is_missed(outcome: Ints) -> np.ndarray:
    return np.asarray((outcome == Outcome.NO_ANSWER) | (outcome == Outcome.GARBLED))


def _lies_in(point: Point, block: Block) -> bool:
    return (
        point.register < block.start + block.count and block.start < point.register + point.length
    )


def _packed(bits: np.ndarray, words: int) -> np.ndarray:
    """Return columns of bits as words, the lowest address in bit 0."""
    padded = np.zeros((len(bits), words * 16), dtype=np.uint32)
    padded[:, : bits.shape[1]] = bits != 0
    weights = (1 << np.arange(16, dtype=np.uint32)).astype(np.uint32)
    packed: np.ndarray = (padded.reshape(len(bits), words, 16) * weights).sum(axis=2)
    return packed.astype(np.uint16)
