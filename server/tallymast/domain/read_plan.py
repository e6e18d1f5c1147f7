"""Chooses how a site's registers are read, by what a read costs on its channel."""

from collections.abc import Collection
from dataclasses import replace

from tallymast.domain.modbus.airtime import character_s, t35_s
from tallymast.domain.modbus.blocks import plan_blocks, site_layout
from tallymast.domain.model import Block, Gateway, Site, SiteLayout

# RTU: request of 8 bytes; answer of address, function, byte count and CRC besides its words.
_BYTES_A_READ = 8 + 5


def read_plan(site: Site, gateway: Gateway) -> tuple[Block, ...]:
    """Return the blocks whose reads together take the least time on the gateway's channel.

    The cost of a read is overhead + cost per word x words [s].

    Source: MODBUS over Serial Line V1.02 §2.5.1 (frame, silent interval).
    """
    character = character_s(gateway.baud, gateway.character_bits)
    silence = 2 * t35_s(gateway.baud, gateway.character_bits)
    overhead = _BYTES_A_READ * character + silence + site.turnaround_ms / 1000
    return plan_blocks(site.points, site.max_words, site.spare, overhead, 2 * character)


def reduced_layout(
    site: Site, gateway: Gateway, whole: SiteLayout, refused: Collection[str], *, bridge: bool
) -> SiteLayout:
    """Return a site's layout without the points its station refuses; its id is 0, not stored yet.

    Args:
        site: with all its points.
        gateway: whose channel it is read on.
        whole: its layout with all points, for their identities.
        refused: tags of the points to leave out.
        bridge: whether spare registers may be read through.

    """
    ids = {point.tag: point.point_id for point in whole.points}
    points = tuple(point for point in site.points if point.tag not in refused)
    spare = site.spare if bridge else ()
    blocks = read_plan(replace(site, points=points, spare=spare), gateway)
    return site_layout(0, whole.site_id, points, ids, blocks)
