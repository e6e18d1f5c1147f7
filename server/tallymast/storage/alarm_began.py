"""Since when alarms are kept: what is counted of them can reach no further back."""

from sqlalchemy import Connection, func, select

from tallymast.storage import schema


def began(conn: Connection) -> int | None:
    """Return when the first alarm was set up, UTC milliseconds; None where none ever was."""
    found = conn.execute(select(func.min(schema.alarm.c.entered_ms))).scalar()
    return None if found is None else int(found)
