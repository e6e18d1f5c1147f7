"""What decides whether an output may be operated is brought together from where it is kept."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from tests.storage.test_orders import EVERY_MS, NETWORK, T0, keep_run

from tallymast import networks
from tallymast.domain.desks import Desk, Standstill, Why
from tallymast.domain.leaving import leaving_words
from tallymast.domain.orders.model import OrderKind, OrderState, Told, Wanted
from tallymast.live import Live
from tallymast.routes.orders.situation import Around, situation_of
from tallymast.routes.services import NetworkView
from tallymast.storage import episodes, keys, notes, order_proofs, orders, tag_outs
from tallymast.storage.engine import Database, open_database
from tallymast.storage.orders import NewOrder
from tallymast.storage.writer import StorageStatus

OK = StorageStatus("ok", 0, 0, 0)
TWO_PUMPS = NETWORK.replace(
    """
[[site]]""",
    """
  [[profile.point]]
  tag = "SECOND"
  name = "Second pump"
  kind = "discrete-output"
  table = "coil"
  register = 1
  write = { table = "coil", register = 1, function = 15 }
  feedback = { tag = "RUN", within_s = 30 }

[[site]]""",
)


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Database]:
    opened = open_database(tmp_path / "tallymast.sqlite3")
    networks.bring_network(opened, NETWORK, "a test")
    yield opened
    opened.close()


def test_everything_around_an_output_is_there(database: Database) -> None:
    view = NetworkView(*networks.load_network(database))
    (plan,) = view.sites
    point = plan.site.point("START")
    assert point is not None
    keep_run(database, plan, "001100")
    with database.writing() as conn:
        said = {"actor": "r.hale", "from_ms": T0, "reason": "Belt is changed."}
        episodes.open_episode(conn, "maintenance", site_id=plan.site_id, **said)  # type: ignore[arg-type]
        words = leaving_words("M. Voss", "Booster", "07:10", "09:00", "the office")
        notes.add(conn, plan.site_id, at_ms=T0, actor="m.voss", kind="visit", text=words)
        number = keys.point_id(conn, plan.site_id, "START")
        assert number is not None
        tag = tag_outs.hang(
            conn,
            plan.site_id,
            point_id=number,
            actor="r.hale",
            account_id=None,
            at_ms=T0,
            reason="Not tested.",
        )
        new = NewOrder(
            "a", T0, T0 + 9, "ada", None, plan.site_id, number, Wanted(OrderKind.ON, 1.0)
        )
        one, _ = orders.make(conn, new)
        other, _ = orders.make(conn, replace(new, request_key="b"))
    now_ms = T0 + 6 * EVERY_MS
    full = replace(OK, state="waiting", sentence="The disk is full.")
    with database.reading() as conn:
        given = Around(Live(), lambda: view, lambda: OK)
        found = situation_of(given, conn, plan, point, now_ms, but=one.id)
        given = Around(Live(), lambda: view, lambda: full)
        assert situation_of(given, conn, plan, point, now_ms).storage_words == "The disk is full."
    assert (found.off_since_ms, found.starts_last_hour) == (T0 + 4 * EVERY_MS, 1)
    assert (found.tags, found.recent, found.storage_words) == ((tag,), (other,), "")
    assert found.visitors == (
        "r.hale works there since 2026-03-08 07:00: Belt is changed.",
        "M. Voss left for the site at 07:10 and wants to be back by 09:00; the office knows.",
    )
    assert found.state is None


def test_orders_beside_are_those_under_way_or_waited_for_whose_proof_is_shared(
    tmp_path: Path,
) -> None:
    database = open_database(tmp_path / "gate.sqlite3")
    networks.bring_network(database, TWO_PUMPS, "a test")
    view = NetworkView(*networks.load_network(database))
    (plan,) = view.sites
    second = plan.site.point("SECOND")
    assert second is not None
    with database.writing() as conn:
        first = keys.point_id(conn, plan.site_id, "START")
        assert first is not None
        new = NewOrder(
            "a", T0, T0 + 30_000, "ada", None, plan.site_id, first, Wanted(OrderKind.ON, 1.0)
        )
        proving, _ = orders.make(conn, new)
        orders.tell(conn, proving.id, Told(OrderState.CONFIRMED, T0 + 1, "So.", 0, T0, 1.0, T0 + 1))
        order_proofs.wait(conn, proving.id, T0 + 1)
        over, _ = orders.make(conn, replace(new, request_key="b"))
        orders.tell(conn, over.id, Told(OrderState.NOT_SENT, T0 + 1, "Expired."))
        waits, _ = orders.make(conn, replace(new, request_key="c"))
    around = Around(Live(), lambda: view, lambda: OK)
    with database.reading() as conn:
        found = situation_of(around, conn, plan, second, T0 + 5_000)
    assert [one.id for one in found.beside] == [waits.id, proving.id]
    assert found.recent == ()
    database.close()


def test_that_the_order_desk_stands_still_is_told_on_the_networks_clock(
    database: Database,
) -> None:
    view = NetworkView(*networks.load_network(database))
    (plan,) = view.sites
    point = plan.site.point("START")
    assert point is not None
    standing = (
        Standstill(Desk.VOLUMES, T0, Why.BREAKS),
        Standstill(Desk.ORDERS, T0, Why.ENDED),
    )
    around = Around(Live(), lambda: view, lambda: OK, lambda: standing)
    with database.reading() as conn:
        found = situation_of(around, conn, plan, point, T0 + 5_000)
        alive = situation_of(replace(around, desks=lambda: standing[:1]), conn, plan, point, T0)
    assert found.desk_words.startswith("The order desk stands still since ")
    assert "No order is sent or proven" in found.desk_words
    assert alive.desk_words == ""
