"""Days that a page is asked for by its address, as the network's own zone has them."""

from datetime import date, datetime, time, timedelta

from tallymast.domain.zones import find_zone
from tallymast.routes.problems import Problem
from tallymast.routes.services import Services


def day_ms(given: Services, text: str, later: int) -> int:
    """Return when a day, or so many days later one, begins [UTC ms].

    Raises:
        Problem: the text is no day.

    """
    try:
        day = date.fromisoformat(text) + timedelta(days=later)
        zone = find_zone(given.network().time_zone)
        return round(datetime.combine(day, time(), zone).timestamp() * 1000)
    except (ValueError, OverflowError) as error:
        raise Problem(422, f"{text!r} is no day; write it like 2026-03-08.") from error
