"""A site's battery as one asks for it in a store."""

from typing import Final

from tallymast.domain.model import Chemistry, Site, SupplyKind

MAKES: Final = {
    Chemistry.FLOODED: "flooded",
    Chemistry.AGM: "AGM",
    Chemistry.GEL: "gel",
    Chemistry.LIFEPO4: "LiFePO4",
    Chemistry.LITHIUM_PRIMARY: "lithium primary",
}


def battery_words(site: Site) -> str:
    """Return it for a sentence: ``33 Ah AGM``; its voltage where that is not the usual 12 V."""
    supply = site.supply
    if supply is None:
        return "battery"
    volts = "" if supply.nominal_v == 12.0 else f", {supply.nominal_v:g}\u00a0V"
    return (_size_and_make(site) or "battery") + volts


def battery_to_take(site: Site) -> str:
    """Return it for a list of things to take: ``33 Ah AGM, 12 V``; empty where there is none."""
    supply = site.supply
    if supply is None or supply.kind is SupplyKind.MAINS:
        return ""
    return f"{_size_and_make(site)}, {supply.nominal_v:g}\u00a0V".removeprefix(", ")


def _size_and_make(site: Site) -> str:
    supply = site.supply
    if supply is None:
        return ""
    size = f"{supply.capacity_ah:g}\u00a0Ah" if supply.capacity_ah else ""
    make = MAKES.get(supply.chemistry, "") if supply.chemistry else ""
    return f"{size} {make}".strip()
