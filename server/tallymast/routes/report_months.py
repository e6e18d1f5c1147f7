"""The months' reports: which are kept, which can be told anew, and how one is kept."""

from dataclasses import dataclass
from datetime import date

from tallymast.domain.record.days import date_of
from tallymast.domain.record.months import (
    MOST_BACK,
    end_of,
    month_before,
    month_named,
    month_of,
    name_of,
)
from tallymast.files.report_shelf import KeptReport, ReportShelf
from tallymast.routes.reliability import read_report
from tallymast.routes.reliability_paper import reliability_html
from tallymast.routes.reliability_periods import month_period
from tallymast.routes.reliability_reading import contract_of
from tallymast.routes.reliability_sheets import reliability_xlsx
from tallymast.routes.services import Services
from tallymast.storage.days import first_day_ms


@dataclass(frozen=True, slots=True)
class MonthLine:
    """A month: its name, what it is called, its kept files, whether it can be told anew."""

    name: str
    words: str
    files: tuple[KeptReport, ...]
    can_anew: bool


def months(given: Services) -> list[MonthLine]:
    """Return the last months of the record that are over, and all kept ones, the newest first."""
    kept = given.reports.kept() if given.reports is not None else []
    over = _over(given)
    return [
        MonthLine(
            name,
            f"{month_named(name):%B %Y}",
            tuple(sorted((one for one in kept if one.month == name), key=_by_telling)),
            name in over,
        )
        for name in sorted(over | {one.month for one in kept}, reverse=True)
    ]


def _over(given: Services) -> set[str]:
    with given.database.reading() as connection:
        since_ms = first_day_ms(connection)
    contract = contract_of(given.network())
    month, found = month_of(date_of(given.now_ms(), contract)), set()
    for _ in range(MOST_BACK):
        month = month_before(month)
        if since_ms is not None and end_of(month, contract) > since_ms:
            found.add(name_of(month))
    return found


def _by_telling(one: KeptReport) -> tuple[int, str]:
    return one.number, one.kind


def keep_month(given: Services, shelf: ReportShelf, month: date, number: int) -> bool:
    """Work out a month and keep it as HTML and XLSX.

    Args:
        given: the services.
        shelf: where it is kept.
        month: its first day; it is over.
        number: which telling of it.

    Returns:
        Whether there was anything to tell: a poll, or a gateway that was lost.

    Raises:
        StorageError: the record cannot be read, or the files cannot be written.

    """
    network = given.network()
    period = month_period(month, contract_of(network), given.now_ms())
    report = read_report(given, period, network.sites)
    if not report.network.whole and not report.losses:
        return False
    found = given.findings_between(period.from_ms, period.to_ms)
    bodies = {
        "xlsx": reliability_xlsx(given, report, found),
        "html": reliability_html(given, report, found),
    }
    shelf.keep(name_of(month), number, bodies, given.now_ms())
    return True
