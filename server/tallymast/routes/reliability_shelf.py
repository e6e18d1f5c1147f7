"""Keeps the newest reports for the rest of a minute: sorting a table need not read the record."""

from collections import OrderedDict
from collections.abc import Sequence
from datetime import date
from threading import Lock
from typing import Annotated, Final

from fastapi import Depends, Request

from tallymast.domain.model import SitePlan
from tallymast.routes.reliability import read_report
from tallymast.routes.reliability_periods import Period
from tallymast.routes.reliability_report import Report
from tallymast.routes.services import Services

_MINUTE_MS: Final = 60_000
_MOST: Final = 3  # ours: a report of 64 sites and 90 days takes 5 MB

_Key = tuple[int, int, int, int, date, tuple[int, ...]]


class Reports:
    """The reports of one application.

    A period that goes on is told as it stood when first asked for in the present minute, which
    is what the page says it ends with.
    """

    def __init__(self, given: Services) -> None:
        self._given = given
        self._kept: OrderedDict[_Key, Report] = OrderedDict()
        self._turn = Lock()

    def of(self, period: Period, own: Sequence[SitePlan]) -> Report:
        """Return the report of some sites; one at a time is worked out."""
        sites = tuple(one.site_id for one in own)
        minute = self._given.now_ms() // _MINUTE_MS
        revision = self._given.network().revision_id
        key = (revision, minute, period.before_ms, period.from_ms, period.last, sites)
        with self._turn:
            found = self._kept.get(key)
            if found is None or found.period.words != period.words:
                found = read_report(self._given, period, own)
            self._kept[key] = found
            self._kept.move_to_end(key)
            while len(self._kept) > _MOST:
                self._kept.popitem(last=False)
            return found


def reports(request: Request) -> Reports:
    """Return the application's reports."""
    found = request.app.state.reports
    assert isinstance(found, Reports)
    return found


TheReports = Annotated[Reports, Depends(reports)]
