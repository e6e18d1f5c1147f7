"""Polls as a poller would have recorded them in the past, without waiting for them.

The values are those the live simulation shows at the same instants. Each poll is asked at its
place in a steady cycle; what is lost, dead or down is asked again as often as the site allows,
and recorded as such. Whole hours are computed at once.
"""

from collections.abc import Iterator, Sequence

import numpy as np

from tallymast.domain.model import (
    Block,
    Network,
    Outcome,
    Point,
    PointKind,
    Poll,
    PollClass,
    PollFlag,
    Site,
    SiteLayout,
)
from tallymast.simulator.chance import Chance, Floats
from tallymast.simulator.faults import FaultKind, Faults
from tallymast.simulator.radio_network import repeaters
from tallymast.simulator.radio_path import STEADY, Radio, RadioPath
from tallymast.simulator.site_model import SiteModel
from tallymast.simulator.stations import point_words

HOUR_MS = 3_600_000
RETRY_AFTER_S = 1.0


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
    past = _Past(network, site, layout, seed, faults or Faults(), radio, slow_every_s)
    begin = from_ms
    while begin < to_ms:
        end = min(to_ms, begin - begin % HOUR_MS + HOUR_MS)
        yield from past.polls(begin, end)
        begin = end


class _Past:
    """One site's past."""

    def __init__(
        self,
        network: Network,
        site: Site,
        layout: SiteLayout,
        seed: int,
        faults: Faults,
        radio: Radio,
        slow_every_s: float,
    ) -> None:
        self._site = site
        self._layout = layout
        self._faults = faults
        self._slow_every_ms = round(1000 * slow_every_s)
        self._model = SiteModel(network, site, seed)
        self._carriers = [SiteModel(network, carrier, seed) for carrier in repeaters(network, site)]
        self._sites = (site, *repeaters(network, site))
        self._path = RadioPath(radio, site, len(self._carriers), seed)
        self._lot = Chance(seed, site.key, "past")
        self._phase_ms = round(self._lot.between(0.0, 1.0) * site.poll_every_s * 1000)
        self._signal = next((p for p in site.points if p.kind is PointKind.SIGNAL), None)

    def polls(self, from_ms: int, to_ms: int) -> list[Poll]:
        every = round(self._site.poll_every_s * 1000)
        first = from_ms + (self._phase_ms - from_ms) % every
        at_ms = np.arange(first, to_ms, every, dtype=np.int64)
        if not len(at_ms):
            return []
        down = self._faults.is_down(self._site.gateway, at_ms)
        tries = self._tries(at_ms)
        slow = self._slow_due(at_ms, every)
        fast_words, all_words = self._words(at_ms)
        answer_ms = self._answer_ms(at_ms)
        return [
            self._poll(
                int(at_ms[n]),
                bool(down[n]),
                int(tries[n]),
                float(answer_ms[n]),
                bool(slow[n]),
                (all_words if slow[n] else fast_words)[n],
            )
            for n in range(len(at_ms))
        ]

    def _poll(
        self, at_ms: int, down: bool, tries: int, answer_ms: float, slow: bool, words: bytes
    ) -> Poll:
        site, layout = self._site, self._layout
        key = layout.site_id
        if down:
            return _nothing(key, at_ms, Outcome.GATEWAY_LOST, 0, layout.id)
        if tries == 0:
            return _nothing(key, at_ms, Outcome.NO_ANSWER, site.retries + 1, layout.id)
        got = sum(
            1 << n for n, block in enumerate(layout.blocks) if slow or block.poll is PollClass.FAST
        )
        outcome = Outcome.FIRST_TRY if tries == 1 else Outcome.RETRIED
        return Poll(key, at_ms, outcome, PollFlag.NONE, tries, answer_ms, layout.id, got, 0, words)

    def _tries(self, at_ms: np.ndarray) -> np.ndarray:
        """Return at which try each poll is answered, 0 for none."""
        tries = np.zeros(len(at_ms), dtype=np.int64)
        for n in range(self._site.retries + 1):
            at_s = at_ms / 1000.0 + n * (RETRY_AFTER_S + self._site.reply_timeout_s)
            heard = ~self._is_lost(at_s)
            tries = np.where((tries == 0) & heard, n + 1, tries)
        return tries

    def _is_lost(self, at_s: Floats) -> np.ndarray:
        at_ms = (at_s * 1000).astype(np.int64)
        lost = self._path.loses(at_s, self._dbm(at_s))
        for model, site in zip((self._model, *self._carriers), self._sites, strict=True):
            lost |= ~model.power.is_on(at_s)
            dead = self._faults.rate(FaultKind.DEAD, site, at_ms)
            lost |= self._lot.uniform(at_ms) < dead
        for kind in (FaultKind.LOST, FaultKind.NOISE, FaultKind.LATE):
            lost |= self._lot.uniform(at_ms + 1) < self._faults.rate(kind, self._site, at_ms)
        return np.asarray(lost)

    def _dbm(self, at_s: Floats) -> Floats:
        if self._signal is None:
            return np.full(len(at_s), -70.0)
        return self._model.values(self._signal, np.floor(at_s))

    def _slow_due(self, at_ms: np.ndarray, every_ms: int) -> np.ndarray:
        """Return which polls carry the slow blocks: the first in each of their periods."""
        place = (at_ms - self._phase_ms) % self._slow_every_ms
        return np.asarray(place < every_ms)

    def _answer_ms(self, at_ms: np.ndarray) -> Floats:
        wire_ms = 35.0 + self._site.turnaround_ms
        return wire_ms + 1000.0 * self._path.delay_s(at_ms / 1000.0)

    def _words(self, at_ms: np.ndarray) -> tuple[list[bytes], list[bytes]]:
        """Return each poll's words, once of its fast blocks, once of all."""
        at_s = np.floor(at_ms / 1000.0)
        images = [self._image(block, at_s) for block in self._layout.blocks]
        fast = [
            image
            for image, block in zip(images, self._layout.blocks, strict=True)
            if block.poll is PollClass.FAST
        ]
        return _rows(fast, len(at_ms)), _rows(images, len(at_ms))

    def _image(self, block: Block, at_s: Floats) -> np.ndarray:
        """Return a block's words at each instant, shape (instants, words)."""
        cells = np.zeros((len(at_s), block.count), dtype=np.uint16)
        for point in self._site.points:
            if point.table is block.table:
                self._lay(cells, point, point.register - block.start, at_s)
        if block.table.holds_bits:
            cells = _packed(cells, block.words)
        return cells

    def _lay(self, cells: np.ndarray, point: Point, offset: int, at_s: Floats) -> None:
        words = point_words(self._model, point, at_s)
        first, last = max(0, offset), min(cells.shape[1], offset + words.shape[1])
        if first < last:
            cells[:, first:last] |= words[:, first - offset : last - offset]


def _nothing(site_id: int, at_ms: int, outcome: Outcome, tries: int, layout_id: int) -> Poll:
    return Poll(site_id, at_ms, outcome, PollFlag.NONE, tries, None, layout_id, 0, 0, b"")


def _packed(bits: np.ndarray, words: int) -> np.ndarray:
    """Return columns of bits as words, the lowest address in bit 0."""
    padded = np.zeros((len(bits), words * 16), dtype=np.uint32)
    padded[:, : bits.shape[1]] = bits != 0
    weights = (1 << np.arange(16, dtype=np.uint32)).astype(np.uint32)
    packed: np.ndarray = (padded.reshape(len(bits), words, 16) * weights).sum(axis=2)
    return packed.astype(np.uint16)


def _rows(images: Sequence[np.ndarray], count: int) -> list[bytes]:
    if not images:
        return [b""] * count
    joined = np.concatenate(images, axis=1).astype(">u2")
    return [row.tobytes() for row in joined]
