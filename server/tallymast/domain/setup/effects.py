"""Says what a change of the network will do before it is done.

Pure: two networks in, sentences out. What outputs show now, and what was proven, is not known
here; both are worded so that they are true whatever it was.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from tallymast.domain.errors import ConfigError
from tallymast.domain.network_file import Written, build, differences
from tallymast.domain.setup.channel_effects import ChannelEffect, channel_effects
from tallymast.domain.setup.history_effects import history_effects
from tallymast.domain.setup.output_effects import output_effects
from tallymast.domain.setup.pairs import paired
from tallymast.domain.setup.proof_effects import proof_effects
from tallymast.domain.setup.proposals import Proposal
from tallymast.domain.setup.renaming import renamed_network

_LARGE_SHARE = 1 / 3  # Ours: so many sites gone at once is rarely meant


@dataclass(frozen=True, slots=True)
class Effects:
    """What a change does, in sentences.

    Attributes:
        differences: what is written differently.
        channels: polls and airtime, only the gateways where these change.
        history: what becomes of older readings, and what they mean beside the new ones.
        outputs: outputs that their stations will drop by themselves.
        proofs: what is no longer proven after it.
        cautions: what is rarely meant, such as most sites gone at once.

    """

    differences: tuple[str, ...]
    channels: tuple[ChannelEffect, ...] = ()
    history: tuple[str, ...] = ()
    outputs: tuple[str, ...] = ()
    proofs: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()

    @property
    def is_nothing(self) -> bool:
        """Whether the network stays as it is."""
        return not self.differences


def effects(before: Written, after: Proposal) -> Effects:
    """Return what ``after`` changes of the network that people wrote as ``before``."""
    told = (*_renames(after), *_differences(before, after))
    try:
        old = build(before, "")
    except ConfigError:  # written before the grammar grew stricter: nothing to compare with
        return Effects(told)
    pairs = paired(old, after.network, after.renamed)
    return Effects(
        told,
        channel_effects(pairs),
        history_effects(pairs),
        output_effects(pairs),
        proof_effects(pairs),
        tuple(_cautions(before, after)),
    )


def _differences(before: Written, after: Proposal) -> tuple[str, ...]:
    moved = renamed_network(before, after.renamed)
    found = differences(moved, after.written)
    if not found and moved != after.written:
        return ("Gateways, profiles, sites or points stand in another order.",)
    return found


def _renames(after: Proposal) -> Iterator[str]:
    for one in after.renamed:
        what = one.table.capitalize()
        yield f"{what} {one.old} becomes {one.new} and keeps its history under the new key."


def _cautions(before: Written, after: Proposal) -> Iterator[str]:
    moved = renamed_network(before, after.renamed)
    old = {body["key"] for body in moved.get("site", [])}
    gone = old - {body["key"] for body in after.written.get("site", [])}
    if old and len(gone) > _LARGE_SHARE * len(old):
        yield (
            f"{len(gone)} of {len(old)} sites would be gone. Is this the whole network's file, and"
            " the newest?"
        )
    yield from _perhaps_renamed(moved, after.written)


def _perhaps_renamed(before: Written, after: Written) -> Iterator[str]:
    """Ask back where a site went and another came at the very same address."""
    old = {body["key"]: body for body in before.get("site", [])}
    new = {body["key"]: body for body in after.get("site", [])}
    places = {_address(body): key for key, body in old.items() if key not in new}
    for key, body in new.items():
        if key not in old and (lost := places.get(_address(body))):
            yield (
                f"Site {lost} goes and site {key} comes at the same address. If it is the same"
                " site under a new key, change the key by the site's form: then its history goes"
                " along."
            )


def _address(body: Written) -> tuple[object, object]:
    return (body.get("gateway"), body.get("unit"))
