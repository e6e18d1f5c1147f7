"""An invented export without any database: two points, rows made by hand."""

from pathlib import Path

import pytest

from tallymast.domain.exports import Batch, Choice, Extract
from tallymast.domain.model import Point, PointKind, Table, WordLayout

AT_MS = 1_772_964_000_123  # 2026-03-08T10:00:00.123Z, 04:00 in Denver, an hour after the change
LOCAL = "2026-03-08T04:00:00.123-06:00"


def a_point(tag: str, name: str, unit: str = "", **change: object) -> Point:
    layout = change.pop("layout", WordLayout.UINT16)
    return Point(tag, name, PointKind.ANALOG_INPUT, Table.INPUT, 0, layout, unit=unit, **change)  # type: ignore[arg-type]


LEVEL = Choice(1, "quill-tank", "Quill Tank", a_point("LVL", "Level", "m³"), 60)
HATCH = Choice(
    1, "quill-tank", "Quill Tank", a_point("HATCH", "=Hatch", words=("shut", "open")), 60
)


@pytest.fixture
def extract() -> Extract:
    return Extract(
        "Two tanks",
        "America/Denver",
        7,
        "UTC-07:00",
        "raw",
        AT_MS - 1000,
        AT_MS + 10_000,
        (LEVEL, HATCH),
        "0.0-test",
        AT_MS + 20_000,
    )


def a_batch(values: list[object], name: str = "Level") -> Batch:
    """A row a value, a second apart; None is a gap."""
    n = len(values)
    quality = ["none" if one is None else "good" for one in values]
    raw = values
    return Batch(
        (
            [LOCAL] * n,
            [AT_MS + 1000 * row for row in range(n)],
            ["quill-tank"] * n,
            ["LVL"] * n,
            [name] * n,
            values,  # type: ignore[arg-type]
            ["m³"] * n,
            quality,
            raw,  # type: ignore[arg-type]
        )
    )


@pytest.fixture
def place(tmp_path: Path) -> Path:
    return tmp_path / "out"
