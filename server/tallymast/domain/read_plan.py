"""Chooses how a site's registers are read, by what a read costs on its channel."""

from tallymast.domain.modbus.airtime import character_s, t35_s
from tallymast.domain.modbus.blocks import plan_blocks
from tallymast.domain.model import Block, Gateway, Site

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
