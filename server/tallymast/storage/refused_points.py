"""Keeps which points' registers a station has refused, so that they are left out of its reads.

Known for a day and for one layout: a station may have been repaired or exchanged meanwhile,
and a changed network is asked for anew.
"""

import json
from dataclasses import dataclass

from sqlalchemy import Connection, select

from tallymast.storage import schema, setting

KEPT_MS = 86_400_000
_PREFIX = "refused:"


@dataclass(frozen=True, slots=True)
class Refusal:
    """What a station refuses of a layout; ``bridges``: it also refuses undeclared registers."""

    site_id: int
    layout_id: int
    tags: tuple[str, ...]
    bridges: bool
    at_ms: int


def keep(conn: Connection, refusal: Refusal) -> None:
    """Store what a station refuses, in place of what was known."""
    body = [refusal.layout_id, list(refusal.tags), refusal.bridges, refusal.at_ms]
    setting.keep(conn, f"{_PREFIX}{refusal.site_id}", json.dumps(body))


def load(conn: Connection, now_ms: int) -> dict[int, Refusal]:
    """Return what is known and not older than a day, by site id."""
    table = schema.setting
    query = select(table.c.key, table.c.value).where(table.c.key.startswith(_PREFIX))
    found = {}
    for key, value in conn.execute(query):
        layout_id, tags, bridges, at_ms = json.loads(value)
        site_id = int(key.removeprefix(_PREFIX))
        if now_ms - at_ms < KEPT_MS:
            found[site_id] = Refusal(site_id, layout_id, tuple(tags), bridges, at_ms)
    return found
