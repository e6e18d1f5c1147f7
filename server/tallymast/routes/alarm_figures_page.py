"""How the alarms perform: the standard's figures beside their targets, over a period."""

from typing import Annotated, Final, Literal

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse
from sqlalchemy import Connection

from tallymast.domain.alarms.figures import DAY_MS, JUDGED_DAYS, Figures, figures
from tallymast.domain.alarms.model import Alarms, Entry
from tallymast.domain.alarms.setting_up import too_many_urgent
from tallymast.routes.alarm_board import TheAlarms
from tallymast.routes.alarm_figure_lines import acknowledging_words, figure_lines, often
from tallymast.routes.screens import Show
from tallymast.routes.services import Given
from tallymast.storage import alarm_began
from tallymast.storage import alarms as stored

PERIODS: Final = {7: "7 days", 30: "30 days", 90: "90 days", 365: "a year"}
BEFORE_MS: Final = 30 * DAY_MS  # Ours: so far back stands what was active when the period began
PAGE: Final = 20_000

router = APIRouter(include_in_schema=False)

Days = Annotated[Literal["7", "30", "90", "365"], Query()]


@router.get("/alarms/figures")
def figures_page(
    request: Request, given: Given, board: TheAlarms, show: Show, days: Days = "30"
) -> HTMLResponse:
    """Show how the alarms of a period performed."""
    now_ms, alarms = given.now_ms(), given.alarms()
    with given.database.reading() as connection:
        began_ms = alarm_began.began(connection)
        from_ms = max(now_ms - int(days) * DAY_MS, began_ms if began_ms is not None else now_ms)
        found = _figures(connection, alarms, from_ms, now_ms)
    context = {
        "found": found,
        "lines": figure_lines(found, alarms, given.network(), show.clock()),
        "often": often(found, alarms, board.numbers(alarms), given.network()),
        "acknowledged": acknowledging_words(found.acknowledging),
        "urgent": too_many_urgent(given.network().network, alarms.alarms.values()),
        "periods": PERIODS,
        "days": int(days),
        "is_short": found.days < int(days) - 0.5,
        "judged_days": JUDGED_DAYS,
    }
    return show.page(request, "alarms_figures.html", context)


def _figures(conn: Connection, alarms: Alarms, from_ms: int, to_ms: int) -> Figures:
    entries: list[Entry] = []
    before: int | None = None
    while True:
        page = stored.journal(conn, from_ms - BEFORE_MS, to_ms, before_id=before, limit=PAGE)
        entries += [entry for _, entry in page]
        if len(page) < PAGE:
            break
        before = page[-1][0]
    priorities = {key: one.priority for key, one in alarms.alarms.items()}
    entries.reverse()  # as they were written: what held an alarm back stands before its raising
    return figures(entries, from_ms, to_ms, priorities)
