"""Every widget in every state, on one page that nothing links to: what a change does is seen here.

Nothing on it is real; it reads neither the network nor the database.
"""

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from tallymast.domain.health.nights import Night
from tallymast.domain.model import Chemistry, Supply, SupplyKind
from tallymast.routes.nights import draw_gauge, draw_nights
from tallymast.routes.orders.order_words import PROOFS, STATES, TAGGED
from tallymast.routes.rows import Cell, Mark
from tallymast.routes.screens import Show
from tallymast.routes.tape import QUARTERS, Quarter, draw_tape

router = APIRouter(include_in_schema=False)

TODAY = 20_000
MARKS = (
    Mark("answering", "disc", "calm"),
    Mark("answering, worth watching", "triangle", "watch"),
    Mark("answering, look today", "octagon", "act"),
    Mark("comm fail", "octagon", "act"),
    Mark("never answered", "octagon", "act"),
    Mark("gateway lost", "square", "off"),
    Mark("maintenance", "diamond", "off"),
    Mark("not polled", "dash", "off"),
    Mark("not asked yet", "dash", "off"),
)
VALUES = (
    Cell("Level", "2.86\u00a0m"),
    Cell("Level", "3.95\u00a0m", "watch"),
    Cell("Level", "4.31\u00a0m", "act"),
    Cell("Level", "2.84\u00a0m", "off", "stale"),
    Cell("Level", "2.84\u00a0m", "off", "last"),
    Cell("Level", "2.84\u00a0m", "calm", "suspect"),
    Cell("Level", "unknown", "act"),
)
_AGM = Supply(SupplyKind.SOLAR, Chemistry.AGM, 12.0, 33.0, disconnect_v=11.5, reconnect_v=12.8)


def tapes() -> list[tuple[str, object]]:
    """Return poll tapes with what they show."""
    full = Quarter(60, 0)
    shapes = {
        "nothing missed": [full] * QUARTERS,
        "one missed poll": [*[full] * 40, Quarter(60, 1), *[full] * 55],
        "mornings disturbed": [Quarter(60, 9 if 20 <= n < 30 else 0) for n in range(QUARTERS)],
        "silent since a while": [*[full] * 80, *[Quarter(15, 15)] * 16],
        "not asked for a while": [full if n < 30 or n > 60 else Quarter() for n in range(QUARTERS)],
        "never asked": [Quarter()] * QUARTERS,
    }
    return [(words, draw_tape(quarters)) for words, quarters in shapes.items()]


def sparks() -> list[tuple[str, object]]:
    """Return drawings of nights with what they show."""
    steady: list[float | None] = [12.6] * 21
    shapes: dict[str, list[float | None]] = {
        "steady": [12.6 + 0.02 * (n % 3) for n in range(30)],
        "no charge for nine days": steady + [12.6 - 0.07 * n for n in range(9)],
        "below the disconnect": [12.0 - 0.05 * n for n in range(30)],
        "float all year": [13.6] * 30,
        "gaps": [12.6 if n % 7 else None for n in range(30)],
        "three nights only": [None] * 27 + [12.6, 12.61, 12.59],
        "one night": [None] * 29 + [12.6],
        "no night": [None] * 30,
    }
    return [(words, draw_nights(_nights(volts), TODAY, _AGM)) for words, volts in shapes.items()]


def gauges() -> list[tuple[str, object]]:
    """Return supply gauges with what they show."""
    return [
        ("calm", draw_gauge(12.64, 12.6, _AGM, "calm")),
        ("near the disconnect", draw_gauge(11.8, 11.9, _AGM, "watch")),
        ("below the disconnect", draw_gauge(11.4, 11.5, _AGM, "act")),
        ("an old reading", draw_gauge(12.6, None, _AGM, "off")),
        ("unknown", draw_gauge(None, None, _AGM, "off")),
        ("no supply written down", draw_gauge(13.6, None, None, "calm")),
    ]


def _nights(volts: list[float | None]) -> list[Night]:
    return [
        Night(TODAY - 29 + n, one, one, None, None, None, 120 if one else 0)
        for n, one in enumerate(volts)
    ]


@router.get("/widgets")
def widgets_page(request: Request, show: Show) -> HTMLResponse:
    """Show every widget in every state."""
    context = {
        "marks": (*MARKS, TAGGED, *STATES.values(), *PROOFS.values()),
        "cells": VALUES,
        "tapes": tapes(),
        "sparks": sparks(),
        "gauges": gauges(),
    }
    return show.page(request, "widgets.html", context)
