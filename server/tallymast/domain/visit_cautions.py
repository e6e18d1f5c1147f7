"""The usual cautions for a visit, chosen by what a site has and by what is noted for it.

They are reminders, not permission: local codes, licensed practice and the people who answer for
the site decide. None of them says that anything is safe or suitable.
"""

from dataclasses import dataclass

from tallymast.domain.grammar.drafts import OUTPUTS
from tallymast.domain.model import Site, SupplyKind

_CLASSIFIED = ("classified", "hydrocarbon", "vapour", "vapor", "explos", "hot-work")
_CONFINED = ("confined", "wet well", "wet-well", "vault", "manhole")
_TOWER = ("tower", "climb", "mast", "roof", "ladder")
_WATER = ("water", "canal", "pond", "bank", "weir", "spring", "ford")


@dataclass(frozen=True, slots=True)
class Caution:
    """A caution: what it is about, and what to mind."""

    about: str
    words: str


def general_cautions(site: Site, is_repeater: bool = False) -> tuple[Caution, ...]:
    """Return the cautions that go with a site, the deadliest first.

    Args:
        site: its points, supply, texts and noted cautions choose them.
        is_repeater: whether it carries other sites.

    Source: OSHA 29 CFR 1910.147 (energy control), 1910.146 (confined spaces), 47 CFR 1.1310 (RF
    exposure limits); the rest is common practice, no published source.

    """
    noted = " ".join(site.cautions).lower()
    said = f"{noted} {site.access} {site.drawing}".lower()
    found = [_energy(site)]
    if _has(said, _CLASSIFIED) or "area-classification" in said:
        found.append(_CLASSIFIED_AREA)
    if needs_gas_monitor(site):
        found.append(_GAS)
    if _has(said, _CONFINED):
        found.append(_CONFINED_SPACE)
    found.append(_antenna(is_repeater or _has(said, _TOWER)))
    if site.supply is not None and site.supply.kind is not SupplyKind.MAINS:
        found.append(_BATTERY)
    if _has(noted.replace("produced water", ""), _WATER):
        found.append(_OPEN_WATER)
    return (*found, _ALONE)


def needs_gas_monitor(site: Site) -> bool:
    """Return whether a personal gas monitor is noted for a site."""
    return any("gas" in caution.lower() for caution in site.cautions)


_CLASSIFIED_AREA = Caution(
    "Classified area",
    "the area drawing, equipment ratings and the local electrical code decide what may be opened, "
    "brought in or disconnected live. This sheet says nothing about what is suitable there.",
)
_GAS = Caution("Gas", "a personal gas monitor is noted for this site: test it and wear it.")
_CONFINED_SPACE = Caution(
    "Confined space",
    "no entry without permit, gas test and attendant (29 CFR 1910.146 or local law).",
)
_BATTERY = Caution(
    "Battery", "eye protection, insulated tools, load and panel off before a terminal is loosened."
)
_OPEN_WATER = Caution("Water", "life jacket, dry footing, nobody alone at the edge.")
_ALONE = Caution("Alone", "somebody knows where you are and when you are back, and calls for help.")


def _energy(site: Site) -> Caution:
    outputs = [point.name for point in site.points if point.kind in OUTPUTS]
    moves = (
        f"{', '.join(outputs)} may be switched from afar or by the station itself. "
        if outputs
        else ""
    )
    return Caution(
        "Energy",
        f"{moves}Isolate, lock out and tag out at the site (29 CFR 1910.147 or local law); "
        "a screen is never a lock-out.",
    )


def _antenna(is_high: bool) -> Caution:
    climbing = "fall protection and a second person to climb; " if is_high else ""
    return Caution(
        "Antenna",
        f"{climbing}keep the RF exposure distance while it may transmit, look for power lines "
        "before anything is raised, stay away with lightning near.",
    )


def _has(text: str, words: tuple[str, ...]) -> bool:
    return any(word in text for word in words)
