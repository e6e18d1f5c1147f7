"""A balance in words: each line with its bounds, what is left over, and what that may mean."""

import re
from dataclasses import dataclass
from typing import Final

from tallymast.domain.totals.balance import Amount, AreaTable, Balance, minus
from tallymast.routes.formats import number

_MOST_ROWS: Final = 200


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a balance [m³]; ``amount`` empty: not known, ``bounds`` says why."""

    name: str
    way: str
    amount: str
    bounds: str


def line_of(name: str, way: str, amount: Amount | None, why: str) -> Line:
    """Return a line with what it adds to what is left over; of the unknown why it is.

    Args:
        name: what is metered or stored.
        way: ``in``, ``out`` or ``into storage``; empty: what is left over.
        amount: how much that way [m³]; None: not known.
        why: it is not known.

    """
    if amount is None:
        return Line(name, way, "", f"not known: {why}")
    if way == "into storage" and amount.amount < 0:
        return line_of(name, "out of storage", minus(amount), why)
    sign = {"in": "+", "out of storage": "+", "out": "\u2212", "into storage": "\u2212"}.get(way)
    told = f"{sign} {_m3(amount.amount)}" if sign else _m3(amount.amount)
    return Line(name, way, told, bounds_words(amount))


def bounds_words(amount: Amount) -> str:
    """Return between which bounds the truth lies."""
    if amount.low is None and amount.high is None:
        return "no bound is known"
    if amount.low is None:
        return f"at most {_m3(amount.high or 0.0)}, no lower bound is known"
    if amount.high is None:
        return f"at least {_m3(amount.low)}, no upper bound is known"
    return f"{_m3(amount.low)} to {_m3(amount.high)}"


def verdict(whole: Balance | None) -> str:
    """Return in a sentence what a balance says, and what it does not."""
    if whole is None:
        return "It cannot be told: a part of it is not known."
    rest = whole.rest
    if whole.closes is None:
        return (
            "It cannot be told whether it closes: of a part nobody knows how much passed. "
            f"What is known leaves {_m3(rest.amount)} over."
        )
    if whole.closes:
        return f"It closes within what is not sure: {bounds_words(rest)} are left over."
    if rest.amount > 0:
        return (
            f"It does not close: {bounds_words(rest)} flowed in and neither out nor into storage. "
            "Seepage, evaporation, a leak, a flow that nobody meters, or a meter that is off."
        )
    low = _m3(-(rest.high or 0.0))
    high = _m3(-(rest.low or 0.0))
    return (
        f"It does not close: {low} to {high} more flowed out or into storage than flowed in. "
        "Rain, a flow that nobody meters, or a meter that is off."
    )


def table_of(text: str, wrong: dict[str, str]) -> AreaTable | None:
    """Return a table of rows ``level area`` [m, m²]; None, told in ``wrong``, where it is none."""
    rows = [line for line in re.split(r"[\n;]", text) if line.strip()]
    if len(rows) > _MOST_ROWS:
        wrong["table"] = f"Table: at most {_MOST_ROWS} rows."
        return None
    levels, areas = list[float](), list[float]()
    for line in rows:
        parts = [part for part in re.split(r"[\s,]+", line.strip()) if part]
        try:
            level, area = (float(part) for part in parts)
        except ValueError:
            wrong["table"] = f"Table: “{line.strip()[:40]}” is not a level in m and an area in m²."
            return None
        if not (-1e4 < level < 1e4 and -1e12 < area < 1e12):
            wrong["table"] = f"Table: “{line.strip()[:40]}” is not a level and an area on Earth."
            return None
        levels.append(level)
        areas.append(area)
    return AreaTable(tuple(levels), tuple(areas))


def _m3(amount: float) -> str:
    return f"{number(amount, 0)}\u00a0m³"
