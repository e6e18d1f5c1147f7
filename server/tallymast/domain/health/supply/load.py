"""What a station draws, from what is known of it without measuring.

Typical currents, common practice, no published source; right to some thirty per cent.
"""

from tallymast.domain.health.supply.limits import packs_of
from tallymast.domain.model import Site, SiteClass

IDLE_A = 0.045  # a station that listens all the time, at 12 V
LOOP_A = 0.028  # one 24 V loop that stays powered
DUTY_CYCLED_A = 0.0015
UNCERTAIN = 0.3  # a station's true load lies within this share of the usual one
_TRANSMIT_A, _TRANSMIT_S = 1.5, 0.12  # one answer of some fifty bytes


def usual_load_a(site: Site) -> float:
    """Return the mean current a station usually draws from its battery [A].

    Poll periods hardly matter to a station that listens all the time: transmitting every 10 s
    costs a third of what listening does, every 60 s a twentieth.
    """
    if site.site_class is SiteClass.DUTY_CYCLED:
        return DUTY_CYCLED_A
    packs = 1.0 if site.supply is None else packs_of(site.supply)
    sending = _TRANSMIT_A * _TRANSMIT_S / site.poll_every_s
    loops = LOOP_A if any(point.loop for point in site.points) else 0.0
    return (IDLE_A + sending) / packs + loops
