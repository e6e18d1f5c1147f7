"""Builds a site's power supply, with the voltages usual for its battery filled in."""

from collections.abc import Mapping
from typing import Any

from tallymast.domain.grammar.keys import SUPPLY, doubtful, read_keys, require
from tallymast.domain.grammar.mistakes import Mistakes, choices, plain, shown
from tallymast.domain.model import Chemistry, Supply, SupplyKind

# Disconnect and reconnect of a 12 V battery [V]; from memory and common practice, the maker's
# figure wins.
_USUAL_V: Mapping[Chemistry, tuple[float, float]] = {
    Chemistry.FLOODED: (11.5, 12.6),
    Chemistry.AGM: (11.5, 12.8),
    Chemistry.GEL: (11.6, 12.8),
    Chemistry.LIFEPO4: (11.8, 13.0),
}
# Ours: no battery is used below 0.7 or above 1.4 times its nominal voltage; a slipped decimal
# point (115 for 11.5) always is.
_PLAUSIBLE = (0.7, 1.4)
_VOLTAGES = ("disconnect_v", "reconnect_v", "radio_minimum_v")
_BATTERY_KEYS = ("chemistry", "capacity_ah", "disconnect_v", "reconnect_v", "installed")
_PANEL_KEYS = ("panel_w", "panel_tilt", "panel_azimuth")
_NEEDED = {"kind": f"where the power comes from, one of {choices(SupplyKind)}"}


def build_supply(written: Any, place: str, mistakes: Mistakes) -> Supply | None:
    """Return a site's supply, or None where there is none or it has a mistake."""
    if written is None:
        return None
    here = f"{place}.supply"
    if not isinstance(written, Mapping):
        mistakes.add(place, "supply", f"{shown(written)} is not a table; write [site.supply].")
        return None
    keys = read_keys(written, SUPPLY, here, mistakes)
    bad = doubtful(written, keys, SUPPLY)
    require(keys.keys() | bad, _NEEDED, here, mistakes)
    if "kind" not in keys:
        return None
    supply = Supply(**{**_usual(keys), **keys})
    _check_kind(supply, keys, here, mistakes)
    if "nominal_v" not in bad:
        _check_voltages(supply, keys, bad, here, mistakes)
    return supply


def _usual(keys: Mapping[str, Any]) -> dict[str, float]:
    usual = _USUAL_V.get(keys.get("chemistry", Chemistry.LITHIUM_PRIMARY))
    if usual is None:
        return {}
    # People write 12.8 V of lithium: that is one block, as 12 V is.
    blocks = max(round(keys.get("nominal_v", 12.0) / 6.0) / 2.0, 0.5)
    return {"disconnect_v": usual[0] * blocks, "reconnect_v": usual[1] * blocks}


def _check_kind(supply: Supply, keys: Mapping[str, Any], here: str, mistakes: Mistakes) -> None:
    if supply.kind is SupplyKind.MAINS:
        for key in _BATTERY_KEYS:
            if key in keys:
                mistakes.add(
                    here, key, 'Mains alone has no battery; write kind = "mains-with-battery".'
                )
    if supply.kind in (SupplyKind.MAINS, SupplyKind.PRIMARY):
        for key in _PANEL_KEYS:
            if key in keys:
                mistakes.add(here, key, f'A panel goes with kind = "solar", not "{supply.kind}".')
    is_primary = supply.chemistry is Chemistry.LITHIUM_PRIMARY
    if supply.chemistry is not None and is_primary != (supply.kind is SupplyKind.PRIMARY):
        can = "cannot be charged" if is_primary else "wants charging"
        mistakes.add(
            here, "chemistry", f'"{supply.chemistry}" {can}; that does not go with {supply.kind}.'
        )


def _check_voltages(
    supply: Supply, keys: Mapping[str, Any], bad: set[str], here: str, mistakes: Mistakes
) -> None:
    low, high = (factor * supply.nominal_v for factor in _PLAUSIBLE)
    for key in _VOLTAGES:
        if key in keys and not low <= keys[key] <= high:
            bad.add(key)
            mistakes.add(
                here,
                key,
                f"{plain(keys[key])} V is not plausible for a {plain(supply.nominal_v)} V supply;"
                f" {low:.1f} to {high:.1f} V is.",
            )
    if bad & {"chemistry", "disconnect_v", "reconnect_v"}:
        return
    disconnect_v, reconnect_v = supply.disconnect_v, supply.reconnect_v
    if disconnect_v is not None and reconnect_v is not None and disconnect_v >= reconnect_v:
        usual = "" if {"disconnect_v", "reconnect_v"} <= keys.keys() else " (the usual voltage)"
        mistakes.add(
            here,
            "disconnect_v" if "disconnect_v" in keys else "reconnect_v",
            f"The load would disconnect at {plain(disconnect_v)} V and reconnect at"
            f" {plain(reconnect_v)} V{usual}; reconnecting must lie higher.",
        )
