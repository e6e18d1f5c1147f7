"""Says which profiles fit a station, by which of their reads it answered.

That every read was answered shows that the registers are there, not what they mean: that is
proven point by point.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from tallymast.domain.commissioning.scanning import Heard
from tallymast.domain.model import Block, Gateway, Profile, Site
from tallymast.domain.read_plan import read_plan


@dataclass(frozen=True, slots=True)
class Match:
    """How far a profile fits: so many of its reads were answered; it has so many registers."""

    profile: str
    answered: int
    asked: int
    registers: int

    @property
    def is_whole(self) -> bool:
        """Whether every read was answered."""
        return self.answered == self.asked


def profile_blocks(profile: Profile, gateway: Gateway) -> tuple[Block, ...]:
    """Return the reads of a station of this make-up behind this gateway."""
    stand_in = Site(
        key=profile.key,
        name=profile.name,
        gateway=gateway.key,
        unit=1,
        profile=profile.key,
        points=profile.points,
        max_words=profile.max_words,
        spare=profile.spare,
        reply_timeout_s=gateway.reply_timeout_s,
        retries=gateway.retries,
        turnaround_ms=gateway.turnaround_ms,
        miss_limit=gateway.miss_limit,
    )
    return read_plan(stand_in, gateway)


def likeliest_first(
    profiles: Sequence[Profile], expected: str | None, in_use: Collection[str]
) -> tuple[Profile, ...]:
    """Return profiles in the order to try them.

    Args:
        profiles: those there are.
        expected: the one the site is configured with, None where nobody is.
        in_use: profile of each site behind the gateway; frequent ones come earlier.

    """
    used = list(in_use)
    return tuple(sorted(profiles, key=lambda one: (one.key != expected, -used.count(one.key))))


def matches(heard: Heard, registers: Mapping[str, int]) -> tuple[Match, ...]:
    """Return the profiles that fit a station at least in part, the best first.

    Those that fit whole come first, the one with most registers before the others: a small
    profile fits many stations. Then those that fit in part, by their share of reads answered.

    Args:
        heard: what the station answered.
        registers: how many registers each profile reads.

    """
    found = [
        Match(key, answered, asked, registers.get(key, 0))
        for key, (asked, answered) in heard.profiles.items()
        if answered and asked
    ]
    return tuple(sorted(found, key=_rank))


def _rank(one: Match) -> tuple[bool, float, int, str]:
    return (not one.is_whole, -one.answered / one.asked, -one.registers, one.profile)
