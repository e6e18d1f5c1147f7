"""The rooms are joined so that one process looks at alarms and another shows the same."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.blank import blank
from tests.journeys.test_change import written

from tallymast import networks, wiring
from tallymast.domain.alarms.model import AlarmState, Event, Standing, Step
from tallymast.domain.alarms.rationalised import Written
from tallymast.domain.model import GatewayState, GatewayStatus, Priority
from tallymast.storage import alarms, rationalised
from tallymast.storage.engine import Database

SILENT = "north//comm-fail"


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Database]:
    opened = blank(tmp_path / "tallymast.sqlite3")
    networks.bring_network(opened, written("rtu-over-tcp", "127.0.0.1:5020", ("north", 1, "")), "x")
    yield opened
    opened.close()


@pytest.mark.parametrize("role", ["all", "poller"])
def test_whoever_polls_looks_at_alarms(database: Database, role: str) -> None:
    parts = wiring.assemble(database, role)
    assert parts.alarms is not None
    parts.alarms.look()
    shown = wiring.services(parts, "0").alarms()
    assert {SILENT, "//storage", "//poller"} <= shown.alarms.keys()
    assert shown.standings["//storage"].state is AlarmState.NORMAL


def test_a_process_that_serves_pages_alone_shows_what_another_stored(database: Database) -> None:
    web = wiring.assemble(database, "web")
    assert web.alarms is None
    assert SILENT in wiring.services(web, "0").alarms().alarms
    with database.writing() as conn:
        raised = Standing(AlarmState.UNACKNOWLEDGED, value="3 polls missed in a row")
        alarms.keep(conn, {SILENT: Step(raised)}, 1)
    assert wiring.services(web, "0").alarms().standings == {SILENT: raised}
    assert web.follow is not None
    before = web.live.version
    web.follow.look()
    assert web.live.version > before  # whoever follows is woken
    now = web.live.version
    web.follow.look()
    assert web.live.version == now


def test_a_poller_that_has_ended_is_an_alarm_of_its_own(database: Database) -> None:
    parts = wiring.assemble(database, "all")  # its poller was never started
    assert parts.alarms is not None
    for gateway in parts.view.gateways:
        connected = GatewayState(gateway.gateway_id, GatewayStatus.CONNECTED, wiring.now_ms())
        parts.live.publish_gateway(connected)
    parts.alarms.look()
    one = wiring.services(parts, "0").alarms().standings["//poller"]
    assert one.value == "Polling has ended by a fault of the program; start it again."


def test_its_thread_begins_and_ends_with_the_others(database: Database) -> None:
    parts = wiring.assemble(database, "all")
    with parts.running():
        assert parts.alarms is not None
        assert parts.alarms.is_alive()
    assert not parts.alarms.is_alive()
    with database.reading() as conn:
        told = [one.event for _, one in alarms.journal(conn, 0, 2**62)]
    assert Event.RAISED not in told
    assert wiring.services(parts, "0").blind() == ""


@pytest.mark.parametrize("role", ["web", "all"])
def test_words_that_people_wrote_are_in_force_without_a_restart(
    database: Database, role: str
) -> None:
    poller, pages = wiring.assemble(database, "poller"), wiring.assemble(database, role)
    assert poller.alarms is not None
    poller.alarms.look()
    shown = wiring.services(pages, "0").alarms
    assert shown().alarms[SILENT].response != "Ring the farm."
    if pages.follow is not None:
        pages.follow.look()
    before = pages.live.version
    with database.writing() as conn:
        words = Written(Priority.URGENT, response="Ring the farm.", at_ms=1)
        rationalised.keep(conn, alarms.ids(conn)[SILENT], words)
    alarm = shown().alarms[SILENT]
    assert (alarm.priority, alarm.response) == (Priority.URGENT, "Ring the farm.")
    if pages.follow is not None:
        pages.follow.look()
        assert pages.live.version > before  # whoever has a page open is woken
