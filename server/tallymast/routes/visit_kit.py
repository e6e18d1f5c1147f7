"""What to bring: what the named causes ask for first, else what findings and supply say."""

from collections.abc import Sequence

from tallymast.domain.health.diagnosis.model import About, Diagnosis
from tallymast.domain.health.findings import Finding, NeverAnswered, NoValue, PathSilent, Silent
from tallymast.domain.health.site_health import SiteHealth
from tallymast.domain.health.supply.battery_words import battery_to_take
from tallymast.domain.health.supply.model import Verdict
from tallymast.domain.life.bringing import (
    DueTask,
    battery_as_fitted,
    fuses_as_fitted,
    needs_of,
    path_as_fitted,
    spares_of,
    without_known,
)
from tallymast.domain.life.parts import Fitted
from tallymast.domain.model import Site, SupplyKind

ALWAYS = ("multimeter, fuses of the ratings fitted there, keys",)
_NOTED = "multimeter, keys"
_BATTERY = frozenset(
    {Verdict.NOT_CHARGING, Verdict.DECLINING, Verdict.AGEING, Verdict.DARK_AT_NIGHT}
)


def kit(
    site: Site,
    found: Sequence[Finding],
    health: SiteHealth,
    causes: Sequence[Diagnosis] = (),
    parts: Sequence[Fitted] = (),
    spares: Sequence[Fitted] = (),
    due: Sequence[DueTask] = (),
) -> tuple[str, ...]:
    """Return what to bring, the most likely first.

    Args:
        site: where to.
        found: what calls for a person there.
        health: as judged last.
        causes: the causes named there, the surest first.
        parts: what the hardware register says is fitted there.
        spares: what it says lies in the store.
        due: tasks that are due there.

    """
    named = {one.about for one in causes}
    bring = [what for one in causes for what in one.bring]
    power = [] if About.SUPPLY in named else _of_supply(site, health)
    loops = [] if About.POINT in named else _of_loops(site, found)
    contact = [] if About.CONTACT in named else _of_contact(found, health)
    bring += [*power, *loops, *contact]
    if power or About.SUPPLY in named:
        bring += _noted((battery_as_fitted(parts), spares_of("battery", "spare battery", spares)))
    if loops or About.POINT in named:
        bring += _noted((spares_of("transmitter", "spare transmitter", spares),))
    if contact or About.CONTACT in named:
        bring = without_known(bring, parts, spares)
        bring += _noted((*path_as_fitted(parts), spares_of("radio", "spare radio", spares)))
        bring += _noted((spares_of("station", "spare station", spares),))
    fuses = fuses_as_fitted(parts)
    always = (fuses, _NOTED) if fuses else ALWAYS
    return tuple(dict.fromkeys((*bring, *needs_of(due), *always)))


def _noted(lines: Sequence[str]) -> list[str]:
    return [one for one in lines if one]


def _of_supply(site: Site, health: SiteHealth) -> list[str]:
    verdict = health.supply.verdict if health.supply else None
    if verdict not in _BATTERY or site.supply is None:
        return []
    battery = battery_to_take(site)
    bring = [f"battery {battery}"] if battery else []
    if verdict is Verdict.NOT_CHARGING and site.supply.kind is SupplyKind.SOLAR:
        bring.append("panel cable and connectors, charge controller, meter for panel volts")
    return bring


def _of_loops(site: Site, found: Sequence[Finding]) -> list[str]:
    loops = [f.point for f in found if isinstance(f, NoValue) and f.site.key == site.key]
    return [
        f"spare transmitter and loop meter for {point.name} ({point.loop or 'input'}), "
        "means to gauge by hand"
        for point in loops[:2]
    ]


def _of_contact(found: Sequence[Finding], health: SiteHealth) -> list[str]:
    comm = health.comm
    is_weak = comm is not None and comm.signal is not None
    if is_weak or any(isinstance(f, Silent | NeverAnswered | PathSilent) for f in found):
        return ["wattmeter, antenna, connectors, surge arrester, spare radio"]
    return []
