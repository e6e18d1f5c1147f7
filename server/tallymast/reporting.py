"""Writes a report into a file for whoever asks at the machine: a period's reliability, rounds.

Everything is looked at before anything is written: the file's place and ending, the days, and
whether there is something to tell.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from importlib.metadata import version
from pathlib import Path
from typing import Final, Literal

from tallymast.domain.errors import ConfigError
from tallymast.domain.health.nights import day_number, day_of
from tallymast.domain.local_times import local_time
from tallymast.domain.record.days import Contract, begin_of, date_of
from tallymast.domain.record.months import is_whole_month
from tallymast.domain.rounds import KeptRound
from tallymast.domain.zones import find_zone
from tallymast.files.whole_file import check_place, put_whole
from tallymast.judging import judge
from tallymast.live import Live
from tallymast.routes.problems import Problem
from tallymast.routes.reliability import read_report
from tallymast.routes.reliability_periods import (
    LONGEST_DAYS,
    Period,
    Wish,
    month_period,
    span_period,
    the_period,
)
from tallymast.routes.reliability_reading import contract_of
from tallymast.routes.reliability_sheets import RELIABILITY
from tallymast.routes.report_words import title_words
from tallymast.routes.round_paper import ROUND, read_papers
from tallymast.routes.services import NetworkView, PollerCondition, Services
from tallymast.storage import rounds
from tallymast.storage.engine import Database
from tallymast.storage.writer import StorageStatus

What = Literal["reliability", "round"]
Kind = Literal["html", "csv", "xlsx"]
KINDS: Final[tuple[Kind, ...]] = ("html", "csv", "xlsx")
_DAY: Final = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Asked:
    """What the command was told.

    Args:
        what: which report.
        file: where it goes.
        begin: of the period: a day, or an instant with its zone; empty: the usual period.
        end: the same of its end: a day is included, an instant is not.
        kind: the format, None for what the file's ending says.

    """

    what: What
    file: Path
    begin: str = ""
    end: str = ""
    kind: Kind | None = None


def report(
    database: Database,
    network: NetworkView,
    now_ms: int,
    asked: Asked,
    findings: Callable[[int, int], Sequence[str]] = lambda *_: (),
) -> str:
    """Write a report into a new file.

    Args:
        database: what to read.
        network: its network.
        now_ms: the wall clock, UTC milliseconds.
        asked: which report, file and period.
        findings: what was found in a span [ms], a plain sentence each.

    Returns:
        What was written, in a sentence.

    Raises:
        ConfigError: what is asked for cannot be told or written so; nothing is written.
        StorageError: the database or the disk refused.

    """
    kind = check(asked)
    given = _services(database, network, now_ms, findings)
    make = _reliability if asked.what == "reliability" else _round
    body, words = make(given, asked, kind)
    put_whole(asked.file, body)
    return f"{asked.file}: {words}."


def check(asked: Asked) -> Kind:
    """Look at what can be looked at without a database; return the format.

    Raises:
        ConfigError: a period that means nothing, an ending that is none of ours, a file that is
            there, or a place that cannot be written.

    """
    _ends(asked.begin, asked.end)
    kind = asked.kind or _kind_of(asked.file)
    check_place(asked.file)
    return kind


def _kind_of(file: Path) -> Kind:
    ending = file.suffix.lower().removeprefix(".")
    for kind in KINDS:
        if ending == kind:
            return kind
    raise ConfigError(
        f"{file.name} does not end with .html, .csv or .xlsx; rename it or say --format."
    )


def _services(
    database: Database,
    network: NetworkView,
    now_ms: int,
    findings: Callable[[int, int], Sequence[str]],
) -> Services:
    judged = judge(database, network, now_ms)
    return Services(
        database=database,
        live=Live(),
        network=lambda: network,
        now_ms=lambda: now_ms,
        version=version("tallymast"),
        storage_condition=lambda: StorageStatus("ok", 0, 0, 0),
        poller_condition=lambda: PollerCondition("elsewhere"),
        health=lambda: judged.sites,
        judged_ms=lambda: judged.at_ms,
        findings_between=findings,
    )


# --- the two reports ------------------------------------------------------------------------


def _reliability(given: Services, asked: Asked, kind: str) -> tuple[bytes, str]:
    network = given.network()
    period = period_of(asked.begin, asked.end, contract_of(network), given.now_ms())
    found = read_report(given, period, network.sites)
    title = title_words(period, find_zone(network.time_zone))
    if not found.network.whole and not found.losses:
        raise ConfigError(f"The record has no poll of {title}: there is nothing to report.")
    more = given.findings_between(period.from_ms, period.to_ms)
    return RELIABILITY[kind](given, found, more), f"reliability of {title}"


def _round(given: Services, asked: Asked, kind: str) -> tuple[bytes, str]:
    kept = _rounds(given, asked)
    if not kept:
        when = " of this time" if asked.begin or asked.end else " yet"
        raise ConfigError(f"No Morning round is kept{when}: there is nothing to report.")
    body = ROUND[kind](given, read_papers(given, kept))
    days = [f"{day_of(one.day):%-d %B %Y}" for one in (kept[0], kept[-1])]
    return body, f"round of {days[0]}" if len(kept) == 1 else (
        f"{len(kept)} rounds of {days[0]} to {days[1]}"
    )


def _rounds(given: Services, asked: Asked) -> list[KeptRound]:
    begin, end = _ends(asked.begin, asked.end)
    zone = find_zone(given.network().time_zone)
    with given.database.reading() as connection:
        if begin is None:
            newest = rounds.days(connection, 1)
            return rounds.between(connection, newest[0], newest[0]) if newest else []
        first, last = (
            one if isinstance(one, date) else local_time(one, zone).date()
            for one in (begin, given.now_ms() if end is None else end)
        )
        found = rounds.between(connection, day_number(first), day_number(last))
    return [
        one
        for one in found
        if not (isinstance(begin, int) and one.at_ms < begin)
        and not (isinstance(end, int) and one.at_ms >= end)
    ]


# --- from and to ------------------------------------------------------------------------------

End = date | int  # a day, or an instant, UTC milliseconds


def period_of(begin: str, end: str, contract: Contract, now_ms: int) -> Period:
    """Return the period that two texts mean; without any the last whole calendar month.

    A whole calendar month is held against the month before it, as the kept ones are.

    Raises:
        ConfigError: texts that mean nothing, the wrong way round, to come, or too long.

    """
    first, last = _ends(begin, end)
    if first is None:
        return the_period(Wish(period="last-month"), contract, now_ms)
    if isinstance(first, int) or isinstance(last, int):
        return _span(first, last, contract, now_ms)
    today = date_of(now_ms, contract)
    last = min(last or today, today)
    if is_whole_month(first, last) and last < today:
        return month_period(first, contract, now_ms)
    try:
        wish = Wish.model_validate({"period": "days", "from": str(first), "to": str(last)})
        return the_period(wish, contract, now_ms)
    except Problem as error:
        raise ConfigError(error.detail) from error


def _span(first: End, last: End | None, contract: Contract, now_ms: int) -> Period:
    from_ms = first if isinstance(first, int) else begin_of(first, contract)
    if last is None:
        to_ms = now_ms
    else:
        to_ms = last if isinstance(last, int) else begin_of(last + _DAY, contract)
    if from_ms >= now_ms:
        raise ConfigError("The period begins in the future; nothing is known of it yet.")
    if to_ms - from_ms > LONGEST_DAYS * 86_400_000:
        raise ConfigError(f"A period may be {LONGEST_DAYS} days long at most.")
    if from_ms >= to_ms:
        raise ConfigError("--from lies after --to.")
    if 2 * from_ms - to_ms < 0:
        raise ConfigError("--from lies before anything could be recorded.")
    return span_period(from_ms, to_ms, contract, now_ms)


def _ends(begin: str, end: str) -> tuple[End | None, End | None]:
    """Return what two texts mean, None for an empty one.

    Raises:
        ConfigError: no day and no instant, or the wrong way round.

    """
    if end and not begin:
        raise ConfigError("--from is missing: --to alone names no period.")
    first = _end(begin, "--from") if begin else None
    last = _end(end, "--to") if end else None
    if isinstance(first, date) and isinstance(last, date) and first > last:
        raise ConfigError(f"--from {first} lies after --to {last}.")
    if isinstance(first, int) and isinstance(last, int) and first >= last:
        raise ConfigError("--from does not lie before --to; an instant of --to is not included.")
    return first, last


def _end(text: str, which: str) -> End:
    try:
        return date.fromisoformat(text)
    except ValueError:
        pass
    try:
        moment = datetime.fromisoformat(text)
        if moment.tzinfo is not None:
            return round(moment.timestamp() * 1000)
    except (ValueError, OverflowError) as error:
        raise ConfigError(
            f"{which} is {text!r}; write a day like 2026-11-01, or a time with its zone like "
            "2026-11-01T07:00-07:00."
        ) from error
    raise ConfigError(f"{which} is {text!r}, a time without its zone; write {text}Z for UTC.")
