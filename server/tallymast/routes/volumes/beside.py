"""The pages on which people keep what belongs to volumes; a link leads only where a page is."""

from typing import Final

from tallymast.routes.rights import NEEDS

_ALL: Final = (
    ("/volumes/close", "Month close"),
    ("/volumes/permits", "Permits"),
    ("/volumes/balances", "Balances"),
    ("/volumes/flow", "Night flow and rates"),
    ("/run-hours", "Run hours"),
)
_KEPT: Final = "/volumes/{key}/{tag}/kept"


def beside() -> tuple[tuple[str, str], ...]:
    """Return the addresses and names of the pages beside the network's volumes."""
    return tuple(one for one in _ALL if ("GET", one[0]) in NEEDS)


def kept_of(key: str, tag: str) -> str:
    """Return where a point's factors, adjustments and index readings are kept; empty: nowhere."""
    return f"/volumes/{key}/{tag}/kept" if ("GET", _KEPT) in NEEDS else ""
