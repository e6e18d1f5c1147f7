"""Finds which registers of a refused block a station does not have, a few exchanges a poll.

A block that draws exception 02 says nothing of which address is wrong. Its points are asked
one by one; those refused alone are the wrong ones. If none is, the gaps between them are.
"""

from collections import deque
from dataclasses import dataclass, field

from tallymast.domain.modbus.layouts import registers_needed
from tallymast.domain.modbus.requests import ReadRequest
from tallymast.domain.model import LayoutPoint, SiteLayout, SitePlan

ASKED_A_POLL = 2  # Ours: so few that the other sites hardly wait


@dataclass(slots=True)
class Search:
    """What is still to be asked of one site's refused blocks, and what was found."""

    layout: SiteLayout
    left: deque[LayoutPoint] = field(default_factory=deque)
    refused: list[str] = field(default_factory=list)
    blocks: set[int] = field(default_factory=set)

    def add(self, block: int) -> None:
        """Take a block that was refused; one that is known already changes nothing."""
        if block not in self.blocks:
            self.blocks.add(block)
            self.left += [point for point in self.layout.points if point.block == block]

    def request(self, plan: SitePlan, point: LayoutPoint) -> ReadRequest:
        """Return the read of one point alone."""
        block = self.layout.blocks[point.block]
        bits = block.table.holds_bits or point.bit is not None
        count = 1 if bits else registers_needed(point.layout, point.length)
        return ReadRequest(plan.site.unit, block.table, block.start + point.offset, count)

    @property
    def bridges(self) -> bool:
        """Whether a block was refused although none of its points is."""
        guilty = {point.block for point in self.layout.points if point.tag in self.refused}
        return bool(self.blocks - guilty)
