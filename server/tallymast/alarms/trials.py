"""The test alarm: for how long it stands, and that it is raised by itself once a week.

It is raised as any other is and goes every way that an urgent one goes. One that was due while
nobody looked is not made up for (domain/alarms/weekly.py).
"""

import logging
from collections.abc import Callable
from datetime import tzinfo
from typing import Final

from sqlalchemy import Connection

from tallymast.domain.alarms.judged import UNKNOWN
from tallymast.domain.alarms.model import TEST_KEY, Alarms, Condition, Seen, Standing, Step
from tallymast.domain.alarms.stepping import raise_test
from tallymast.domain.alarms.weekly import Weekly, due_ms
from tallymast.domain.audit import Act
from tallymast.domain.errors import StorageError
from tallymast.storage import audit

log = logging.getLogger(__name__)

STANDS_MS: Final = 60_000  # ours: long enough for every way of telling people to begin
STEP_MS: Final = 60_000  # ours: how often the setting is read, and "looked at until" told
NOTE: Final = "the weekly test"


def seen_of_test(alarms: Alarms, now_ms: int) -> Seen:
    """Return what a look finds of the test alarm: it stands for a minute once it was raised."""
    if TEST_KEY not in alarms.alarms:
        return UNKNOWN
    standing = alarms.standings.get(TEST_KEY, Standing())
    if not standing.state.is_active or standing.raised_ms is None:
        return Seen(Condition.NORMAL, now_ms // STEP_MS * STEP_MS, standing.value)
    stands = 0 <= now_ms - standing.raised_ms < STANDS_MS
    condition = Condition.ABNORMAL if stands else Condition.NORMAL
    return Seen(condition, now_ms, standing.value)


class WeeklyTest:
    """Raises it when it is due.

    Args:
        when: reads the setting.

    """

    def __init__(self, when: Callable[[], Weekly]) -> None:
        self._when = when
        self._weekly = Weekly(on=False)
        self._read_ms: int | None = None
        self._looked_ms: int | None = None
        self._raised: list[int] = []  # to be written down

    @property
    def waits(self) -> bool:
        """Whether one was raised that is not written down yet."""
        return bool(self._raised)

    def steps(self, alarms: Alarms, zone: tzinfo, now_ms: int) -> dict[str, Step]:
        """Return the test alarm raised where it became due since the look before, else nothing."""
        self._read(now_ms)
        before_ms, self._looked_ms = self._looked_ms, now_ms
        if before_ms is None or due_ms(self._weekly, zone, before_ms, now_ms) is None:
            return {}
        alarm = alarms.alarms.get(TEST_KEY)
        if alarm is None:
            return {}
        standing = alarms.standings.get(TEST_KEY, Standing())
        step = raise_test(alarm, standing, now_ms, "", NOTE)
        if not step.entries:
            return {}
        self._raised.append(now_ms)
        return {TEST_KEY: step}

    def write(self, conn: Connection) -> int:
        """Write down in the audit what was raised; return how many, for ``written``."""
        for at_ms in self._raised:
            act = Act("alarm.weekly-test", "alarm", TEST_KEY)
            audit.add(conn, act, at_ms=at_ms, actor="")
        return len(self._raised)

    def written(self, n: int) -> None:
        """Forget so many that are stored now."""
        del self._raised[:n]

    def _read(self, now_ms: int) -> None:
        if self._read_ms is not None and 0 <= now_ms - self._read_ms < STEP_MS:
            return
        try:
            self._weekly, self._read_ms = self._when(), now_ms
        except StorageError as error:
            log.warning("when the test alarm is due is read later: %s", error)
