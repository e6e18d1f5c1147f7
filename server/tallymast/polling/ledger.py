"""Keeps the newest state of every site, and which channel may poll it and write it.

A site that moves to another gateway is let go by its old channel before the new one takes it:
its state, counts and times go with it, and it is never polled by two at once.
"""

from collections.abc import Iterable, Mapping

from tallymast.domain.model import SiteState


class Ledger:
    """All that channels share; to be used in the poller's own loop.

    Args:
        states: what is known of the sites already, by id.

    """

    def __init__(self, states: Mapping[int, SiteState]) -> None:
        self.states = dict(states)
        self._polled_by: dict[int, int] = {}

    def take(self, site_id: int, gateway_id: int) -> bool:
        """Take a site for a gateway's channel; return False while another one has it."""
        return self._polled_by.setdefault(site_id, gateway_id) == gateway_id

    def let_go(self, site_ids: Iterable[int], gateway_id: int) -> None:
        """Give sites back, so that another channel may take them."""
        for site_id in site_ids:
            if self._polled_by.get(site_id) == gateway_id:
                del self._polled_by[site_id]
