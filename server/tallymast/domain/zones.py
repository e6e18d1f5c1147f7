"""Finds time zones by name, and fixed offsets from UTC, for what people read and write.

A name means what the tz database says; a fixed offset never changes with the season, as a
contract clock on standard time all year wants it.
"""

import re
from datetime import timedelta, timezone, tzinfo
from difflib import get_close_matches
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from tallymast.domain.errors import TallymastError

_OFFSET = re.compile(r"(?:UTC)?([+-])(\d{2}):(\d{2})")
_FURTHEST = timedelta(hours=14)  # Kiribati, the largest offset in the tz database


class UnknownZoneError(TallymastError):
    """A text that names no time zone."""


def find_zone(name: str) -> tzinfo:
    """Return the time zone people call ``name``.

    Args:
        name: ``America/Denver``, ``UTC``, or a fixed offset as ``UTC-07:00`` or ``-07:00``.

    Raises:
        UnknownZoneError: no such zone; the nearest name is told.

    Source: IANA time zone database; offsets as ISO 8601-1:2019 §4.3.13 writes them.

    """
    if offset := _OFFSET.fullmatch(name):
        return _fixed(name, *offset.groups())
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise UnknownZoneError(_not_known(name)) from error


def _fixed(name: str, sign: str, hours: str, minutes: str) -> tzinfo:
    span = timedelta(hours=int(hours), minutes=int(minutes))
    if int(minutes) > 59 or span > _FURTHEST:
        raise UnknownZoneError(f'"{name}" is no offset that is used; UTC-12:00 to UTC+14:00 are.')
    return timezone(-span if sign == "-" else span, name)


def _not_known(name: str) -> str:
    by_fold = {zone.casefold(): zone for zone in sorted(available_timezones())}
    wanted = name.strip().replace(" ", "_").casefold()
    places = {zone.rsplit("/", 1)[-1]: zone for zone in by_fold}
    close = get_close_matches(wanted, by_fold, 1, 0.75) or get_close_matches(wanted, places, 1, 0.8)
    if not close:
        return f'"{name}" is not a time zone; write it as "America/Denver" or "UTC-07:00".'
    found = by_fold.get(close[0]) or by_fold[places[close[0]]]
    return f'"{name}" is not a time zone; the nearest is "{found}".'
