"""Findings and visitors' words as they are kept, in both dialects."""

import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy import event, func, insert, select, text, update
from tests.dialects import DIALECTS, database_of
from tests.domain.health.diagnosis.told import DAY, HOUR, MINUTE, T0, antenna, full
from tests.storage.conftest import plant

from tallymast.domain.errors import StorageError
from tallymast.domain.health.diagnosis.evidence import Moment, SiteEvidence
from tallymast.domain.health.diagnosis.experience import Verdict
from tallymast.domain.health.diagnosis.model import Confidence, Diagnosis
from tallymast.domain.health.site_health import NOT_JUDGED, SiteHealth
from tallymast.domain.model import (
    Act,
    Gateway,
    GatewayPlan,
    GatewayStatus,
    Site,
    SiteLayout,
    SitePlan,
    SiteStatus,
)
from tallymast.finding_keeper import FindingKeeper
from tallymast.storage import finding_words, findings, schema
from tallymast.storage.engine import Database, open_database
from tallymast.storage.findings import KeptFinding, Wanted

JUDGED, ALL = SiteHealth(), Wanted()
A_SITE = Site("weir-1", "Weir 1", "mast", 1, "tank", (), 60, (), 2.0, 2, 50.0, 3)


def begin(opened: Database) -> Database:
    """Put two gateways, and three sites behind the first, into a database."""
    with opened.writing() as conn:
        for key in ("mast", "scarp"):
            conn.execute(insert(schema.gateway).values(key=key, rank=0, body="{}"))
        for unit in (1, 2, 3):
            row = {"key": f"weir-{unit}", "rank": unit, "gateway_id": 1, "unit": unit, "body": "{}"}
            conn.execute(insert(schema.site).values(row))
    return opened


class Mast:
    """One gateway with three sites, a keeper, and what it is shown at each look."""

    def __init__(self, database: Database) -> None:
        self.database = database
        self.keeper = FindingKeeper(database)
        self.gateway = Gateway("mast", "Mast", "rtu-over-tcp", "127.0.0.1:1")
        self.acts: dict[int, Act] = {}
        self.health: dict[int, SiteHealth] = {}
        self.status = GatewayStatus.CONNECTED

    def look(self, now_ms: int, *named: Diagnosis) -> bool:
        sites = [self._evidence(n, now_ms) for n in (1, 2, 3) if self._act(n) is not Act.NOT_POLLED]
        plans = tuple(
            SitePlan(n, self._site(n), SiteLayout(n, n, (), ()), act=self._act(n))
            for n in (1, 2, 3)
        )
        return self.keeper.look(now_ms, named, sites, [GatewayPlan(1, self.gateway, plans)])

    def looks(self, from_ms: int, to_ms: int, *named: Diagnosis) -> int:
        """Look every minute; return how often something was stored."""
        return sum(self.look(at_ms, *named) for at_ms in range(from_ms, to_ms, MINUTE))

    def kept(self, wanted: Wanted = ALL) -> list[KeptFinding]:
        with self.database.reading() as conn:
            return findings.page(conn, wanted, 100)

    def say(self, number: int, verdict: Verdict, at_ms: int = T0, found: str = "") -> None:
        with self.database.writing() as conn:
            finding_words.word(
                conn, number, at_ms=at_ms, actor="tess", verdict=verdict, found=found
            )

    def _act(self, n: int) -> Act:
        return self.acts.get(n, Act.NONE)

    def _site(self, n: int) -> Site:
        return replace(A_SITE, key=f"weir-{n}", name=f"Weir {n}", unit=n)

    def _evidence(self, n: int, now_ms: int) -> SiteEvidence:
        moment = Moment(SiteStatus.IN_SERVICE, gateway=self.status)
        health = self.health.get(n, JUDGED)
        return SiteEvidence(n, self._site(n), 1, self.gateway, now_ms, moment, health)


@pytest.fixture
def mast(database: Database) -> Mast:
    return Mast(begin(database))


@pytest.fixture(params=DIALECTS)
def either(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Mast]:
    """The same in each dialect."""
    with database_of(request, tmp_path) as database:
        yield Mast(begin(database))


def test_a_finding_is_kept_whole(either: Mast) -> None:
    told = replace(full(), site_ids=(1, 2), touched=())
    assert either.look(T0 + HOUR, told)
    second, first = either.kept()
    assert (first.site_id, second.site_id) == (1, 2)
    assert first.told == second.told == told
    assert (first.shared, second.shared) == ((2,), (1,))
    assert (first.named_ms, first.since_ms, first.until_ms) == (T0 + HOUR, T0, None)
    assert (first.confidence, first.rank, first.is_open) == (Confidence.LIKELY, 0, True)


def test_a_gateways_finding_has_no_site(mast: Mast) -> None:
    mast.look(T0, antenna(cause="backhaul", site_ids=()), antenna(1))
    mast.look(T0 + HOUR, antenna(cause="backhaul", site_ids=()), antenna(1))
    assert [(one.site_id, one.told.cause, one.rank) for one in mast.kept()] == [
        (1, "antenna", 1),
        (None, "backhaul", 0),
    ]
    with mast.database.reading() as conn:
        assert [one.told.cause for one in findings.current(conn)] == ["backhaul", "antenna"]


def test_looks_that_tell_nothing_new_store_nothing(mast: Mast) -> None:
    statements: list[str] = []
    mast.look(T0, antenna(1))

    def note(conn: object, cursor: object, statement: str, *rest: object) -> None:
        statements.append(statement)

    engines = (mast.database._reader, mast.database._writer)
    for engine in engines:
        event.listen(engine, "before_cursor_execute", note)
    before = mast.database.data_version()
    statements.clear()
    assert mast.looks(T0 + MINUTE, T0 + HOUR, antenna(1)) == 0
    assert statements == []  # not even asked
    assert mast.database.data_version() == before
    assert mast.looks(T0 + HOUR, T0 + HOUR + MINUTE, antenna(1)) == 1
    assert mast.kept()[0].judged_ms == T0 + HOUR


def test_it_ends_when_it_was_named_last_and_returns_as_the_same_within_a_day(either: Mast) -> None:
    either.looks(T0, T0 + 90 * MINUTE, antenna(1))
    either.looks(T0 + 90 * MINUTE, T0 + 130 * MINUTE)
    (over,) = either.kept()
    assert over.until_ms == T0 + 89 * MINUTE
    back_ms = over.until_ms + DAY - MINUTE
    either.look(back_ms, antenna(1, since_ms=back_ms - MINUTE))
    (again,) = either.kept()
    assert (again.id, again.until_ms) == (over.id, None)
    assert (again.named_ms, again.since_ms) == (T0, T0)  # it has stood since then


def test_after_a_day_it_is_another_finding(mast: Mast) -> None:
    mast.look(T0, antenna(1))
    mast.looks(T0 + MINUTE, T0 + 40 * MINUTE)
    mast.look(T0 + DAY, antenna(1))
    assert [one.until_ms for one in mast.kept()] == [None, T0]


def test_another_point_or_another_site_is_another_finding(mast: Mast) -> None:
    mast.look(T0, antenna(1, tag="LVL"), antenna(1, tag="PRS"), antenna(2, tag="LVL"))
    assert len(mast.kept()) == 3


@pytest.mark.parametrize("why", ["unread", "maintenance", "not polled", "gateway lost", "touched"])
def test_silence_of_a_judge_that_could_not_look_ends_nothing(mast: Mast, why: str) -> None:
    mast.look(T0, antenna(1))
    touched: Sequence[Diagnosis] = ()
    match why:
        case "unread":
            mast.health[1] = NOT_JUDGED
        case "maintenance":
            mast.acts[1] = Act.MAINTENANCE
        case "not polled":
            mast.acts[1] = Act.NOT_POLLED
        case "gateway lost":
            mast.status = GatewayStatus.UNREACHABLE
        case "touched":
            touched = [antenna(3, cause="repeater", touched=(1,))]
    mast.looks(T0 + MINUTE, T0 + 3 * HOUR, *touched)
    assert [one.until_ms for one in mast.kept(Wanted(site_id=1))] == [None]


def test_a_restart_keeps_what_stands_and_begins_to_wait_anew(mast: Mast) -> None:
    mast.look(T0, antenna(1))
    mast.looks(T0 + MINUTE, T0 + 25 * MINUTE)
    mast.keeper = FindingKeeper(mast.database)
    mast.looks(T0 + 3 * HOUR, T0 + 3 * HOUR + 29 * MINUTE)
    assert mast.kept()[0].is_open
    mast.look(T0 + 3 * HOUR + 30 * MINUTE)
    assert mast.kept()[0].until_ms == T0
    mast.keeper = FindingKeeper(mast.database)
    mast.look(T0 + 4 * HOUR, antenna(1))
    assert len(mast.kept()) == 1


def test_a_refused_look_is_tried_again_and_loses_no_time(
    mast: Mast, monkeypatch: pytest.MonkeyPatch
) -> None:
    mast.look(T0, antenna(1))
    mast.look(T0 + 20 * MINUTE, antenna(1))
    mast.looks(T0 + 21 * MINUTE, T0 + 51 * MINUTE)
    log_change = findings.log_change

    def refuse(*_: object) -> None:
        raise StorageError("The disk is full.")

    monkeypatch.setattr(findings, "log_change", refuse)
    for n in (51, 52, 53):
        with pytest.raises(StorageError):
            mast.look(T0 + n * MINUTE, antenna(2))
    assert [one.until_ms for one in mast.kept()] == [None]  # nothing of it, not half
    monkeypatch.setattr(findings, "log_change", log_change)
    assert mast.look(T0 + 54 * MINUTE, antenna(2))
    assert [(one.site_id, one.until_ms) for one in mast.kept()] == [
        (2, None),
        (1, T0 + 20 * MINUTE),
    ]


def test_two_keepers_do_not_begin_one_finding_twice(either: Mast) -> None:
    other = Mast(either.database)
    either.look(T0)
    other.look(T0)
    either.look(T0 + MINUTE, antenna(1))
    with pytest.raises(StorageError):
        other.look(T0 + MINUTE, antenna(1))
    assert not other.look(T0 + 2 * MINUTE, antenna(1))  # it has read what stands
    assert len(either.kept()) == 1


def test_what_cannot_be_read_still_stands_in_the_list(mast: Mast) -> None:
    mast.look(T0, antenna(1))
    with mast.database.writing() as conn:
        conn.execute(update(schema.finding).values(evidence='{"cause":'))
    (one,) = mast.kept()
    assert not one.is_readable
    assert one.told.title == "Antenna, connector or surge arrester"
    assert "cannot be read" in one.told.says.text
    mast.keeper = FindingKeeper(mast.database)
    mast.look(T0 + MINUTE, antenna(1))  # named again, it is written anew
    assert mast.kept()[0].told == antenna(1)


def test_words_are_kept_and_the_last_one_counts(either: Mast) -> None:
    either.look(T0, antenna(1), antenna(2))
    either.say(1, Verdict.NOTHING, T0 + 1)
    either.say(1, Verdict.CONFIRMED, T0 + 2, "connector")
    with either.database.reading() as conn:
        one = findings.of_id(conn, 1)
        assert one is not None
        assert one.word is not None
        assert [word.verdict for word in one.words] == [Verdict.NOTHING, Verdict.CONFIRMED]
        assert (one.word.found, one.word.actor) == ("connector", "tess")
        (figure,) = finding_words.figures(conn)
        assert (figure.named, figure.visited, figure.confirmed) == (2, 1, 1)
        assert [word.at_ms for word, _ in finding_words.words_of_site(conn, 1)] == [T0 + 2, T0 + 1]
        assert findings.of_id(conn, 99) is None


def test_a_word_is_never_changed_or_taken_away(either: Mast) -> None:
    either.look(T0, antenna(1))
    either.say(1, Verdict.CONFIRMED)
    for statement in ("UPDATE finding_word SET verdict = 'other'", "DELETE FROM finding_word"):
        with pytest.raises(StorageError, match="never changed"), either.database.writing() as conn:
            conn.execute(text(statement))


def test_experience_is_read_again_only_when_something_of_it_changed(mast: Mast) -> None:
    mast.look(T0, antenna(1), antenna(2, tag="LVL"))
    assert mast.keeper.experience().words == ()
    mast.say(1, Verdict.OTHER, T0 + 1, "fuse")
    mast.say(2, Verdict.CONFIRMED, T0 + 2)
    found = mast.keeper.experience()
    assert [(one.site_id, one.tag, one.verdict, one.found) for one in found.words] == [
        (2, "LVL", Verdict.CONFIRMED, ""),
        (1, "", Verdict.OTHER, "fuse"),
    ]
    assert all(one.is_open for one in found.words)
    assert mast.keeper.experience() is found
    mast.looks(T0 + MINUTE, T0 + 40 * MINUTE, antenna(2, tag="LVL"))  # the other one is over
    assert [one.is_open for one in mast.keeper.experience().words] == [True, False]


def test_pages_and_filters_give_each_finding_once(either: Mast) -> None:
    for n in range(7):
        either.look(T0 + n * 2 * DAY, antenna(1 + n % 3, cause=("antenna", "battery")[n % 2]))
        either.looks(T0 + n * 2 * DAY + MINUTE, T0 + n * 2 * DAY + 33 * MINUTE)
    either.look(T0 + 20 * DAY, antenna(1))
    either.say(1, Verdict.CONFIRMED)
    numbers: list[int] = []
    with either.database.reading() as conn:
        while found := findings.page(conn, Wanted(), 3, numbers[-1] if numbers else None):
            numbers += [one.id for one in found]
    assert numbers == [8, 7, 6, 5, 4, 3, 2, 1]

    def ids(**wanted: object) -> list[int]:
        return [one.id for one in either.kept(Wanted(**wanted))]  # type: ignore[arg-type]

    assert ids(site_id=1) == [8, 7, 4, 1]
    assert ids(cause="battery") == [6, 4, 2]
    assert ids(is_open=True) == [8]
    assert ids(is_open=False, site_id=1) == [7, 4, 1]
    assert ids(unsaid=True, site_id=1) == [8, 7, 4]
    assert ids(from_ms=T0 + 2 * DAY, to_ms=T0 + 4 * DAY) == [2]
    assert ids(from_ms=T0 + 30 * DAY) == [8]  # it still stands
    with either.database.reading() as conn:
        assert [one.id for one in findings.of_site(conn, 1, 2)] == [8, 7]
        one = findings.open_one(conn, antenna(1))
        assert one is not None
        assert one.id == 8
        assert findings.open_one(conn, antenna(2)) is None
        assert dict(findings.titles(conn)).keys() == {"antenna", "battery"}


def test_a_kill_inside_a_look_stores_nothing_of_it(tmp_path: Path) -> None:
    file = tmp_path / "tallymast.sqlite3"
    with closing(open_database(file)) as database:
        plant(database)
    program = (
        "import os, sys\n"
        "from pathlib import Path\n"
        "from sqlalchemy import event\n"
        "from sqlalchemy.engine import Engine\n"
        "from tests.domain.health.diagnosis.told import antenna\n"
        "from tallymast.domain.health.diagnosis.lasting import Step, places\n"
        "from tallymast.storage import findings\n"
        "from tallymast.storage.engine import open_database\n"
        "database = open_database(Path(sys.argv[1]))\n"
        "seen = []\n"
        "@event.listens_for(Engine, 'after_cursor_execute')\n"
        "def count(conn, cursor, statement, *rest):\n"
        "    if statement.startswith('INSERT INTO finding'):\n"
        "        seen.append(statement)\n"
        "        if len(seen) == 2:\n"
        "            os._exit(9)\n"
        "named = [antenna(1), antenna(1, tag='LVL'), antenna(1, tag='PRS')]\n"
        "with database.writing() as conn:\n"
        "    findings.keep(conn, Step({}, places(named), {}, ()), 1)\n"
    )
    command = [sys.executable, "-c", program, str(file)]
    assert subprocess.run(command, check=False, timeout=60).returncode == 9
    with closing(open_database(file)) as database, database.reading() as conn:
        assert conn.execute(select(func.count()).select_from(schema.finding)).scalar() == 0
