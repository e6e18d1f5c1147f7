"""Which unit addresses are asked for a station, how long that takes, and what was heard.

A scan goes beside polling: one try an address and at most a fifth of the airtime.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Final

from tallymast.domain.commissioning.switches import LEAST, MOST
from tallymast.domain.errors import ConfigError

AIRTIME: Final = 0.20  # common practice, no published source: a scan takes a fifth at most
USUAL_LAST: Final = 60  # Ours: new stations mostly come with a low address; ten minutes at 2 s
TIMEOUTS_S: Final = (0.1, 30.0)  # Ours: what a reply timeout of a scan may be
_MISS_GAP_S: Final = 0.1  # common practice, no published source: the pause after a miss


class Hearing(StrEnum):
    """What came back from one address."""

    ANSWER = "answer"
    REFUSAL = "refusal"  # an exception answer: a station lives there
    GARBLED = "garbled"
    SILENCE = "silence"

    @property
    def is_station(self) -> bool:
        """Whether a station answered and could be understood."""
        return self in (Hearing.ANSWER, Hearing.REFUSAL)


@dataclass(frozen=True, slots=True)
class Heard:
    """What asking one unit address brought.

    Attributes:
        unit: the address.
        code: Modbus exception code of a refusal, else 0.
        ms: how long the first answer took [ms].
        site: key of the site configured there, None: nobody.
        profiles: blocks asked and answered, by profile.

    """

    unit: int
    hearing: Hearing
    code: int = 0
    ms: float | None = None
    site: str | None = None
    profiles: Mapping[str, tuple[int, int]] = field(default_factory=dict)

    @property
    def is_stranger(self) -> bool:
        """Whether somebody lives at an address where nobody is configured."""
        return self.site is None and self.hearing is not Hearing.SILENCE


def heard_of(row: Mapping[str, Any]) -> Heard:
    """Return what a stored row of a scan says."""
    tried = row.get("profiles") or {}
    return Heard(
        int(row["unit"]),
        Hearing(row["heard"]),
        int(row.get("code") or 0),
        row.get("ms"),
        row.get("site"),
        {key: (int(one["asked"]), int(one["answered"])) for key, one in tried.items()},
    )


def units_between(
    first: int, last: int, used: Collection[int] = (), *, free_only: bool
) -> tuple[int, ...]:
    """Return the unit addresses to ask, in order.

    Args:
        first: from here.
        last: to here, itself included.
        used: addresses configured behind the gateway.
        free_only: leave those out.

    Raises:
        ConfigError: the range is not within 1..247, or nothing is left of it.

    """
    if not LEAST <= first <= last <= MOST:
        raise ConfigError(
            f"Unit addresses go from {LEAST} to {MOST}; {first} to {last} is no range of them."
        )
    units = tuple(n for n in range(first, last + 1) if not (free_only and n in used))
    if not units:
        raise ConfigError(
            f"Sites are configured at every address from {first} to {last}; widen the range, or "
            "ask those too."
        )
    return units


def checked_timeout(timeout_s: float) -> float:
    """Return a reply timeout [s] that a scan may have.

    Raises:
        ConfigError: outside 0.1 to 30 s.

    """
    least, most = TIMEOUTS_S
    if not least <= timeout_s <= most:  # also refuses what is no number
        raise ConfigError(
            f"A scan's reply timeout lies between {least:g} and {most:g} s, not at {timeout_s:g} s."
        )
    return timeout_s


@dataclass(frozen=True, slots=True)
class Length:
    """How long a scan takes [s]: where nobody answers, and at most more for each who does."""

    silent_s: float
    each_s: float


def length_of(units: int, blocks: int, timeout_s: float) -> Length:
    """Return how long a scan takes within its share of airtime.

    Args:
        units: addresses asked.
        blocks: different reads of all profiles together; the first is asked of every address,
            the others of each station that answers.
        timeout_s: how long each asking waits at most [s].

    """
    one_s = (timeout_s + _MISS_GAP_S) / AIRTIME
    return Length(units * one_s, max(blocks - 1, 0) * one_s)


def tally(heard: Sequence[Heard]) -> dict[Hearing, int]:
    """Return how many addresses brought what."""
    return {one: sum(row.hearing is one for row in heard) for one in Hearing}


def spans_of(units: Sequence[int]) -> str:
    """Return addresses in spans, ``1 to 6, 12, 14 to 60``."""
    spans: list[list[int]] = []
    for unit in sorted(set(units)):
        if spans and spans[-1][1] == unit - 1:
            spans[-1][1] = unit
        else:
            spans.append([unit, unit])
    return ", ".join(str(a) if a == b else f"{a} to {b}" for a, b in spans)
