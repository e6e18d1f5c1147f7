"""Databases with one invented site, and polls to put into them."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import Connection, insert, inspect
from tests.dialects import database_of

from tallymast.domain.model import (
    Block,
    LayoutPoint,
    Order,
    Outcome,
    PointKind,
    Poll,
    PollFlag,
    SiteLayout,
    Table,
    WordLayout,
)
from tallymast.storage import schema
from tallymast.storage.engine import Database
from tallymast.storage.layouts import keep_layout


@dataclass(frozen=True)
class Planted:
    """A database, its one site, and what that site's polls read."""

    database: Database
    site_id: int
    layout: SiteLayout

    def poll(self, at_ms: int, outcome: Outcome = Outcome.FIRST_TRY, **change: object) -> Poll:
        return a_poll(self.site_id, at_ms, outcome, **{"layout_id": self.layout.id} | change)


def a_poll(
    site_id: int,
    at_ms: int,
    outcome: Outcome = Outcome.FIRST_TRY,
    **change: object,
) -> Poll:
    """A poll whose level wanders with the instant; a missed one brings no words."""
    answered = outcome.is_answered
    level = 12_000 + at_ms // 1000 % 500
    words = np.array([level, 0x0001, 0x86A0 + at_ms // 60_000 % 100, 3], ">u2").tobytes()
    fields: dict[str, object] = {
        "site_id": site_id,
        "at_ms": at_ms,
        "outcome": outcome,
        "flags": PollFlag.NONE,
        "tries": 1 if outcome is Outcome.FIRST_TRY else 3,
        "answer_ms": 140.0 + at_ms % 37 / 10 if answered else None,
        "got": 3 if answered else 0,
        "code": 0,
        "words": words if answered else b"",
    }
    return Poll(**(fields | change))  # type: ignore[arg-type]


def a_layout(site_id: int, point_ids: tuple[int, int, int], **level: object) -> SiteLayout:
    """Three input registers (level in microamps, uint32 total) and a word of contacts."""
    blocks = (Block(Table.INPUT, 4, 3), Block(Table.DISCRETE, 0, 8))
    common = {"word_order": Order.HIGH_FIRST, "byte_order": Order.HIGH_FIRST, "bit": None}
    nothing = {"raw": None, "value": None, "unit": ""}
    scaled = {"raw": (4000.0, 20000.0), "value": (0.0, 5.0), "unit": "m"} | level
    points = (
        LayoutPoint(
            point_ids[0],
            "LVL",
            PointKind.ANALOG_INPUT,
            0,
            0,
            WordLayout.UINT16,
            length=1,
            loop="4-20mA",
            **common,
            **scaled,  # type: ignore[arg-type]
        ),
        LayoutPoint(
            point_ids[1],
            "TOT",
            PointKind.TOTALIZER,
            0,
            1,
            WordLayout.UINT32,
            length=2,
            **common,
            **nothing,  # type: ignore[arg-type]
        ),
        LayoutPoint(
            point_ids[2],
            "DOOR",
            PointKind.DISCRETE_INPUT,
            1,
            1,
            WordLayout.BOOL,
            length=1,
            **common,
            **nothing,  # type: ignore[arg-type]
        ),
    )
    return SiteLayout(0, site_id, blocks, points)


def plant_site(conn: Connection, unit: int = 1) -> tuple[int, tuple[int, int, int]]:
    """Put a site with three points into the tables; return its id and theirs."""
    gateway = insert(schema.gateway).values(key=f"mast-{unit}", rank=unit, body="{}")
    gateway_id = conn.execute(gateway.returning(schema.gateway.c.id)).scalar_one()
    site = insert(schema.site).values(
        key=f"weir-{unit}", rank=unit, gateway_id=gateway_id, unit=unit, body="{}"
    )
    site_id = conn.execute(site.returning(schema.site.c.id)).scalar_one()
    ids = [
        conn.execute(
            insert(schema.point)
            .values(site_id=site_id, tag=tag, kind="analog-input", created_ms=0)
            .returning(schema.point.c.id)
        ).scalar_one()
        for tag in ("LVL", "TOT", "DOOR")
    ]
    return site_id, (ids[0], ids[1], ids[2])


def plant(database: Database, unit: int = 1) -> Planted:
    with database.writing() as conn:
        site_id, points = plant_site(conn, unit)
        return Planted(database, site_id, keep_layout(conn, a_layout(site_id, points), 0))


def check_schema(database: Database) -> None:
    """The tables are those the code describes, with their columns and keys."""
    with database.reading() as conn:
        found = inspect(conn)
        names = set(found.get_table_names()) - {"schema_version"}
        assert names == set(schema.metadata.tables)
        for table in schema.metadata.tables.values():
            columns = {column["name"] for column in found.get_columns(table.name)}
            assert columns == {column.name for column in table.columns}, table.name
            key = found.get_pk_constraint(table.name)["constrained_columns"]
            assert key == [column.name for column in table.primary_key.columns], table.name


@pytest.fixture
def database(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Database]:
    with database_of(request, tmp_path) as opened:
        yield opened


@pytest.fixture
def planted(database: Database) -> Planted:
    return plant(database)


@pytest.fixture
def plant_one(database: Database) -> Callable[[int], Planted]:
    return lambda unit: plant(database, unit)


@pytest.fixture
def other_layout() -> Callable[..., SiteLayout]:
    """Stores a second layout of a planted site: the level scaled otherwise."""

    def make(planted: Planted, **level: object) -> SiteLayout:
        ids = tuple(point.point_id for point in planted.layout.points)
        with planted.database.writing() as conn:
            layout = a_layout(planted.site_id, ids, **level)  # type: ignore[arg-type]
            return keep_layout(conn, layout, 0)

    return make
