"""What people typed into the forms of these pages, and days and times as they type them."""

from collections.abc import Mapping
from datetime import date, datetime
from typing import Annotated, Final

from fastapi import Depends, Request

from tallymast.domain.health.nights import day_number
from tallymast.domain.local_times import MONTHS, local_time
from tallymast.domain.people import plain
from tallymast.domain.zones import find_zone
from tallymast.routes.services import Services

LONGEST: Final = 300
MOST_FIELDS: Final = 100

Typed = Mapping[str, str]


async def typed(request: Request) -> dict[str, str]:
    """Return the fields of a form, each on one line; files are left out."""
    form = await request.form(max_files=0, max_fields=MOST_FIELDS)
    found = form.items()
    return {name: plain(value, LONGEST) for name, value in found if isinstance(value, str)}


TheTyped = Annotated[dict[str, str], Depends(typed)]


def today_of(given: Services) -> date:
    """Return the network's own day."""
    return local_time(given.now_ms(), find_zone(given.network().time_zone)).date()


def today_number(given: Services) -> int:
    """Return the network's own day, counted from 1970-01-01."""
    return day_number(today_of(given))


def day_words(day: date) -> str:
    """Return ``14 Apr 2027``."""
    return f"{day.day} {MONTHS[day.month - 1]} {day.year}"


def read_day(text: str, label: str, wrong: dict[str, str], key: str) -> date | None:
    """Return a day that was typed; None with a sentence in ``wrong`` where it is none."""
    try:
        found = date.fromisoformat(text)
    except ValueError:
        wrong[key] = f"{label}: {text or 'nothing'} is not a day; write it as 2026-03-08."
        return None
    if not 1990 <= found.year <= 2100:
        wrong[key] = f"{label}: {text} is too far away; a day from 1990 to 2100 is meant."
        return None
    return found


def read_moment(text: str, given: Services) -> int | None:
    """Return an instant [UTC ms] typed on the network's own clock, None where it is none."""
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        return None
    if at.tzinfo is None:
        at = at.replace(tzinfo=find_zone(given.network().time_zone))
    return round(at.timestamp() * 1000) if 1990 <= at.year <= 2100 else None


def moment_text(at_ms: int, given: Services) -> str:
    """Return an instant as a form shows it, on the network's own clock to the second."""
    return f"{local_time(at_ms, find_zone(given.network().time_zone)):%Y-%m-%dT%H:%M:%S}"


def read_number(text: str, label: str, wrong: dict[str, str], key: str) -> float | None:
    """Return a number that was typed; None where nothing was, or (told in ``wrong``) it is none."""
    if not text:
        return None
    try:
        found = float(text.replace("\u202f", "").replace(" ", "").replace(",", "."))
    except ValueError:
        wrong[key] = f"{label}: {text} is not a number."
        return None
    if not -1e15 < found < 1e15:
        wrong[key] = f"{label}: {text} is not a number that a register holds."
        return None
    return found
