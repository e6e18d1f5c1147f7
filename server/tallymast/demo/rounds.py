"""Gives the demo the rounds of its last days: each as it would have been said that morning."""

from collections.abc import Iterator
from datetime import datetime, time, timedelta

from tallymast.demo.demonstration import Scene
from tallymast.demo.past import as_of
from tallymast.domain.health.nights import day_number
from tallymast.domain.rounds import KEPT_AT_MINUTE
from tallymast.domain.zones import find_zone
from tallymast.routes.app import create_app
from tallymast.routes.round_words import round_to_keep
from tallymast.storage import rounds
from tallymast.storage.engine import Database

DAYS = 6


def keep_rounds(database: Database, shown: Scene, days: int = DAYS) -> Iterator[int]:
    """Keep the rounds of the last days before the demo's own, yielding each day as it is kept.

    The days before have to be written already. A round that is there stays as it is.
    """
    zone = find_zone(shown.network.time_zone)
    first = datetime.fromtimestamp(shown.begun_ms / 1000, zone).date()
    at_seven = time(*divmod(KEPT_AT_MINUTE, 60))
    for back in range(days, 0, -1):
        day = first - timedelta(days=back)
        at_ms = round(datetime.combine(day, at_seven, zone).timestamp() * 1000)
        given = as_of(database, shown, at_ms).services
        said = round_to_keep(create_app(given), given, day_number(day))
        if said is not None:
            with database.writing() as connection:
                rounds.keep(connection, said)
        yield day_number(day)
