"""The polls the record bench stores: one site's, as numbers, and how small they could be."""

import math
from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np

from tallymast.domain.model import Outcome, SitePlan
from tallymast.domain.record.chunks import PollColumns, block_widths

EVERY_MS: Final = 10_000
DAY_MS: Final = 86_400_000
END_MS: Final = 1_772_928_000_000  # 2026-03-08 00:00 UTC
POINTS: Final = 14
POLLS_A_DAY: Final = DAY_MS // EVERY_MS

_JITTER_MS: Final = 40
_MISSED: Final = 0.01
_PULSES: Final = (3.0, 20.0)  # a poll
_ANSWER_SHAPE: Final = (2.0, 60.0)  # gamma: shape, scale in 0.1 ms


def network(sites: int) -> str:
    """Return a network file: one gateway, ``sites`` sites of 14 points polled every 10 s."""
    head = (
        'title = "Bench"\ntime_zone = "UTC"\n'
        '[[gateway]]\nkey = "mast"\ntransport = "rtu-over-tcp"\naddress = "127.0.0.1:1"\n'
        '[[profile]]\nkey = "all"\n'
    )
    rows = [("discrete-input", "bool", f"bit = {n}\n", 0) for n in range(4)]
    rows += [("totalizer", "uint32", "", 1 + 2 * n) for n in range(2)]
    rows += [("counter", "uint16", "", 5 + n) for n in range(2)]
    rows += [("analog-input", "uint16", "", 7 + n) for n in range(6)]
    points = "".join(
        f'[[profile.point]]\ntag = "P{n}"\nkind = "{kind}"\ntable = "input"\nregister = {place}\n'
        f'layout = "{layout}"\n{more}'
        for n, (kind, layout, more, place) in enumerate(rows)
    )
    every = "".join(
        f'[[site]]\nkey = "site-{n}"\ngateway = "mast"\nunit = {n}\nprofile = "all"\n'
        "poll_every_s = 10\n"
        for n in range(1, sites + 1)
    )
    return f"{head}{points}{every}"


def days(plan: SitePlan, from_ms: int, to_ms: int, sigma: int) -> Iterator[PollColumns]:
    """Yield a site's polls, a UTC day at a time.

    Four contacts that change by the hour, two totalizers (Poisson), two constants, six analogs
    with normal noise of ``sigma`` counts; 1 % missed; instants with 0..39 ms of jitter and
    answer times of a gamma distribution in 0.1 ms.
    """
    chance = np.random.default_rng(sigma)
    totals = np.zeros(2, np.int64)
    n = POLLS_A_DAY
    for day_ms in range(from_ms, to_ms, DAY_MS):
        words = np.zeros((n, 13), np.uint16)
        words[:, 0] = np.repeat(chance.integers(0, 16, n // 360 + 1), 360)[:n]
        counts = totals + np.cumsum(chance.poisson(_PULSES, (n, 2)), axis=0)
        totals = counts[-1]
        words[:, [1, 3]], words[:, [2, 4]] = counts >> 16, counts & 0xFFFF
        words[:, 5:7] = (3, 312)
        noise = 12_000 + np.round(chance.normal(0.0, sigma, (n, 6)))
        words[:, 7:] = np.clip(noise, 4000, 20000)
        answers = 1400 + np.round(chance.gamma(*_ANSWER_SHAPE, n)).astype(np.int64)
        missed = chance.random(n) < _MISSED
        at_ms = day_ms + EVERY_MS * np.arange(n) + chance.integers(0, _JITTER_MS, n)
        every = (1 << len(plan.layout.blocks)) - 1
        yield PollColumns(
            at_ms=at_ms,
            outcome=np.where(missed, Outcome.NO_ANSWER, Outcome.FIRST_TRY).astype(np.int64),
            flags=np.zeros(n, np.int64),
            tries=np.where(missed, 3, 1),
            answer_tenths=np.where(missed, -1, answers),
            got=np.where(missed, 0, every),
            code=np.zeros(n, np.int64),
            words=np.where(missed[:, None], 0, words).astype(np.uint16),
            widths=block_widths(plan.layout.blocks),
        )


def least_bytes_per_sample(sigma: int) -> float:
    """Return the bytes a sample that no lossless format can beat: the entropy of these polls.

    Source: C. E. Shannon, A Mathematical Theory of Communication, 1948, theorem 9. The parts
    are independent by construction, so their entropies add: six rounded normals, two Poissons,
    a rounded gamma, uniform jitter, and whether a poll was missed. Contacts and constants are
    taken as free.
    """
    hit = 1 - _MISSED
    answered = (
        6 * _bits(_normal(sigma))
        + sum(_bits(_poisson(rate)) for rate in _PULSES)
        + _bits(_gamma(*_ANSWER_SHAPE))
    )
    missed = _bits([_MISSED, hit])
    return (hit * answered + math.log2(_JITTER_MS) + missed) / 8 / POINTS


def _bits(chances: Sequence[float]) -> float:
    return -sum(one * math.log2(one) for one in chances if one > 0)


def _normal(sigma: int) -> list[float]:
    def below(x: float) -> float:
        return 0.5 * (1 + math.erf(x / sigma / math.sqrt(2)))

    return [below(k + 0.5) - below(k - 0.5) for k in range(-9 * sigma, 9 * sigma + 1)]


def _poisson(rate: float) -> list[float]:
    return [math.exp(k * math.log(rate) - rate - math.lgamma(k + 1)) for k in range(200)]


def _gamma(shape: float, scale: float) -> list[float]:
    density = [
        math.exp((shape - 1) * math.log(x) - x / scale) / (math.gamma(shape) * scale**shape)
        for x in (k + 0.5 for k in range(round(40 * scale)))
    ]
    whole = sum(density)
    return [one / whole for one in density]
