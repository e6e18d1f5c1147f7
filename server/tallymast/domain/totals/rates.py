"""Flow from pulses: how fast, between which bounds, and what is too slow to see.

Between two readings n pulses were counted; the truth lies between n - 1 and n + 1, because the
time begins and ends somewhere within a pulse [plain arithmetic]. With slow pulses that is all
there is to know, so a rate comes with its bounds and never alone.
"""

from dataclasses import dataclass
from typing import Final

from tallymast.domain.totals.line import CountLine

LEAST_PULSES: Final = 10  # ours: a rate of ten pulses is known within 10 %
LONGEST_MS: Final = 3_600_000  # ours: a rate over more than an hour is none of now


@dataclass(frozen=True, slots=True)
class PulseRate:
    """A rate out of pulses, in counts a second.

    Attributes:
        from_ms: the reading it begins with.
        to_ms: the reading it ends with.
        pulses: counted between them.
        least: it flowed at least so fast.
        most: and at most so fast.

    """

    from_ms: int
    to_ms: int
    pulses: float
    least: float
    most: float

    @property
    def per_s(self) -> float:
        """The mean rate of the span."""
        return self.pulses / (self.to_ms - self.from_ms) * 1000

    @property
    def detectable(self) -> float:
        """The slowest steady flow that shows a pulse in a span so long."""
        return 1000 / (self.to_ms - self.from_ms)


def rate_at(line: CountLine, at_ms: int) -> PulseRate | None:
    """Return the rate up to the last reading at or before an instant; None: not known.

    It reaches back over as few readings as hold ``LEAST_PULSES``, at most over an hour, and never
    over a step of which it is not known what was counted.
    """
    last = int(line.at_ms.searchsorted(at_ms, side="right")) - 1
    first, pulses = last, 0.0
    while first > 0 and abs(pulses) < LEAST_PULSES:
        marked = line.marked.get(first - 1)
        is_unsure = marked is not None and marked.step.unknown != 0
        if is_unsure or int(line.at_ms[last]) - int(line.at_ms[first - 1]) > LONGEST_MS:
            break
        first -= 1
        pulses += float(line.pulses[first])
    return None if first == last else _rate(line, first, last, pulses)


def per_pulse_rate(pulses_per_s: float, k_factor: float) -> float:
    """Return Q = f / K: units a second from pulses a second and pulses a unit."""
    return pulses_per_s / k_factor


def agree(rate: PulseRate, told_per_s: float, share: float = 0.05) -> bool:
    """Return whether the site's own rate may be the pulses' rate.

    Args:
        rate: out of pulses.
        told_per_s: what the site's own rate point says, in counts a second.
        share: how far a meter's rate may be off. Ours: 5 %, a flow alarm's usual deadband.

    """
    room = share * max(abs(told_per_s), abs(rate.per_s))
    return rate.least - room <= told_per_s <= rate.most + room


def _rate(line: CountLine, first: int, last: int, pulses: float) -> PulseRate:
    begin, end = int(line.at_ms[first]), int(line.at_ms[last])
    one = 1.0 if line.meter.whole else 0.0
    least, most = ((pulses + off) / (end - begin) * 1000 for off in (-one, one))
    return PulseRate(begin, end, pulses, least if line.meter.both_ways else max(0.0, least), most)
