"""Gives the demo the findings of its last days: when each was named first, and when last."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

from tallymast.demo.demonstration import Scene
from tallymast.demo.past import as_of
from tallymast.domain.health.diagnosis.lasting import AGAIN_MS, Key, Named, places
from tallymast.storage import findings
from tallymast.storage.engine import Database
from tallymast.storage.findings import Remembered

DAYS: Final = 7
_HOUR_MS: Final = 3_600_000
EVERY_MS: Final = 3 * _HOUR_MS  # ours: short troubles of a morning are seen once


def keep_findings(database: Database, shown: Scene, days: int = DAYS) -> Iterator[int]:
    """Keep the findings of the last days before the demo began, yielding each instant looked at.

    The days before have to be written already. Findings that are there stay as they are.
    """
    past = Past()
    count = days * 24 * _HOUR_MS // EVERY_MS
    for back in range(count, -1, -1):
        at_ms = shown.begun_ms - back * EVERY_MS
        past.look(places(as_of(database, shown, at_ms).causes), at_ms)
        yield at_ms
    with database.writing() as connection:
        findings.remember(connection, past.told(), shown.begun_ms)


@dataclass
class Past:
    """What was named from look to look."""

    standing: dict[Key, Remembered] = field(default_factory=dict)
    over: list[Remembered] = field(default_factory=list)

    def look(self, named: dict[Key, Named], at_ms: int) -> None:
        """Take what is named at an instant; instants only grow."""
        for key, one in named.items():
            before = self.standing.get(key)
            first_ms = at_ms if before is None else before.named_ms
            self.standing[key] = Remembered(key, one, first_ms, at_ms, is_over=False)
        for key in [key for key, one in self.standing.items() if at_ms - one.last_ms >= AGAIN_MS]:
            self.over.append(self.standing.pop(key).ended())

    def told(self) -> list[Remembered]:
        """Return all that was named, the oldest first; what the last look named still stands."""
        newest = max((one.last_ms for one in self.standing.values()), default=0)
        ended = [one.ended() if one.last_ms < newest else one for one in self.standing.values()]
        return sorted([*self.over, *ended], key=lambda one: one.named_ms)
