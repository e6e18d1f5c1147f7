"""The demo's morning of orders and its tag: told as they were, and once; the stations agree."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pytest

from tallymast.demo import demonstration
from tallymast.demo.orders import demo_orders
from tallymast.domain.model import SitePlan
from tallymast.domain.orders.model import OrderKind, OrderState, Proof
from tallymast.domain.orders.telling import said
from tallymast.domain.zones import find_zone
from tallymast.simulator.site_model import SiteModel
from tallymast.storage import orders, tag_outs
from tallymast.storage.engine import Database, open_database

NOW_MS = 1_795_618_920_000  # 25 November 2026 08:02 in Denver
ORDERED_MS = 1_795_439_520_000  # D-2 06:12, 23 November 2026 06:12 MST = 13:12 UTC
ZONE = find_zone("America/Denver")


@dataclass
class Told:
    database: Database
    scene: demonstration.Scene

    def plan(self, key: str) -> SitePlan:
        return next(plan for _, plan in self.scene.sites if plan.site.key == key)


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Told]:
    database = open_database(tmp_path_factory.mktemp("demo") / "tallymast.sqlite3")
    scene = demonstration.begin(database, NOW_MS)
    assert demo_orders(database, scene) == 4
    assert demo_orders(database, scene) == 0
    yield Told(database, scene)
    database.close()


def test_dunlin_booster_s_output_was_on_and_its_pump_was_not_proven(told: Told) -> None:
    plan = told.plan("dunlin-booster")
    point = plan.site.point("START")
    assert point is not None
    with told.database.reading() as conn:
        again, on, off = orders.of_site(conn, plan.site_id, 0, 10)
    assert (on.made_ms, on.wanted.kind, on.state) == (
        ORDERED_MS,
        OrderKind.ON,
        OrderState.CONFIRMED,
    )
    assert (off.wanted.kind, off.feedback) == (OrderKind.OFF, Proof.PROVEN)
    assert (again.wanted.kind, again.feedback) == (OrderKind.OFF, Proof.PROVEN)
    assert on.feedback is Proof.NOT_PROVEN
    output, pump = said(on, point, ZONE)
    assert output == "output on (read back 06:12:01)"
    assert pump.startswith("running NOT proven after 30 s")
    assert pump.endswith("Selector is not in Auto")


def test_a_tag_hangs_on_all_of_hob_gate(told: Told) -> None:
    with told.database.reading() as conn:
        (tag,) = tag_outs.hanging(conn)
    assert tag.site_id == told.plan("hob-gate").site_id
    assert (tag.point_id, tag.reason) == (None, "lifting chain replaced, not tested")


def test_the_simulated_station_agrees(told: Told) -> None:
    plan, world = told.plan("dunlin-booster"), told.scene.world
    model = SiteModel(world.network, plan.site, world.seed, world.faults)
    minutes = np.array([-20, -5, -1, 0.5, 10, 39, 52, 54], dtype=np.float64)
    at_s = ORDERED_MS / 1000 + 60 * minutes

    def shown(tag: str) -> list[float]:
        point = plan.site.point(tag)
        assert point is not None
        return [float(one) for one in model.values(point, at_s)]

    assert shown("START") == [1, 0, 0, 1, 1, 0, 0, 1]
    assert shown("AUTO") == [1, 1, 1, 0, 0, 0, 0, 1]
    assert shown("RUN")[1:7] == [0, 0, 0, 0, 0, 0]
