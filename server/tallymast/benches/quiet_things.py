"""What looks like trouble and is none: an hour's outage, evening fades, lost days, young sites."""

from collections.abc import Iterator

from tallymast.benches.drawn_networks import DAY_MS
from tallymast.benches.trouble_kinds import FIRST_DAY, HOUR_MS, LOSES_DBM, Hand
from tallymast.domain.model import Site
from tallymast.simulator.faults import Fault, FaultKind
from tallymast.simulator.site_model import path_km


def quiet_things(hand: Hand) -> tuple[list[Fault], dict[str, tuple[tuple[int, int], ...]]]:
    """Return outages of an hour, evening fades, lost days, young sites; and who was silent when."""
    faults: list[Fault] = []
    silent: dict[str, tuple[tuple[int, int], ...]] = {}
    for site in hand.drawn.true.sites:
        is_free = site.key not in hand.taken
        lot = hand.chance.random()
        day = hand.between(1.0, hand.days - 4.0 if is_free else FIRST_DAY - 3.0)
        at_ms = hand.drawn.begin_ms + round(day * DAY_MS)
        if lot < 0.12 and is_free and site.profile != "repeater":
            end_ms = at_ms + HOUR_MS
            faults.append(Fault(FaultKind.DEAD, site.key, None, at_ms, end_ms))
            silent[site.key] = ((at_ms, end_ms),)
        elif lot < 0.27 and hand.signal_dbm(site) > LOSES_DBM + 14.0:
            faults += _evening_fade(hand, site)
        elif lot < 0.42:
            end_ms = at_ms + round(hand.between(0.3, 3.0) * DAY_MS)
            faults.append(Fault(FaultKind.ABSENT, site.key, None, at_ms, end_ms))
        elif lot < 0.47 and is_free:
            faults.append(Fault(FaultKind.ABSENT, site.key, None, to_ms=at_ms))
    return faults, silent


def _evening_fade(hand: Hand, site: Site) -> Iterator[Fault]:
    """A signal that sinks every evening and returns by night, in three steps each way."""
    far = min(path_km(hand.drawn.network, site) / 20.0, 1.0)
    step = -hand.between(0.6, 1.0) * (1.0 + 2.0 * far)
    first = int(hand.between(17.0, 19.5) * 3600.0)
    for n in range(3):
        daily = (first + 2400 * n, (first + 21_600 - 2400 * n) % 86_400)
        yield Fault(FaultKind.SIGNAL, site.key, None, db=step, daily_s=daily)
