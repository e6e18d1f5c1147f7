"""Says what a change of the network will do before it is done."""

from dataclasses import dataclass

from tallymast.domain.network_file import Written, differences
from tallymast.domain.setup.proposals import Proposal


@dataclass(frozen=True, slots=True)
class ChannelEffect:
    """What becomes of one gateway's channel; None where there is none before or after.

    Attributes:
        name: of the gateway.
        polls_h: polls an hour, before and after.
        airtime: airtime asked for as a share of all there is, 0..1 and beyond, before and after.
        sentence: what that means for people; empty where nothing is to be said.

    """

    name: str
    polls_h: tuple[float | None, float | None]
    airtime: tuple[float | None, float | None]
    sentence: str = ""


@dataclass(frozen=True, slots=True)
class Effects:
    """What a change does, in sentences.

    Attributes:
        differences: what is written differently.
        channels: polls and airtime, only the gateways where these change.
        history: what becomes of older readings, and what they mean beside the new ones.
        outputs: outputs that their stations will drop by themselves.
        proofs: what is no longer proven after it.

    """

    differences: tuple[str, ...]
    channels: tuple[ChannelEffect, ...] = ()
    history: tuple[str, ...] = ()
    outputs: tuple[str, ...] = ()
    proofs: tuple[str, ...] = ()


def effects(before: Written, after: Proposal) -> Effects:
    """Return what ``after`` changes of the network that people wrote as ``before``."""
    return Effects(differences(before, after.written))
