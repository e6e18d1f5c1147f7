"""A month of days read at once is what hours joined one by one come to."""

from pathlib import Path
from random import Random

from tests.dialects import both_dialects
from tests.routes.volumes.meter_world import DAY, HOUR, MARCH_2, Meters, meters

from tallymast.domain.record.days import Contract
from tallymast.domain.totals.adjustments import Adjustment
from tallymast.domain.totals.factors import Factor
from tallymast.domain.totals.segments import Segment
from tallymast.domain.totals.units import exact
from tallymast.storage import adjustments, k_factors, volume_days, volumes
from tallymast.storage.engine import Database
from tallymast.storage.k_factors import KeptFactor

CONTRACT = Contract("UTC", 7)
DAYS = [(MARCH_2 + n * DAY, MARCH_2 + (n + 1) * DAY) for n in range(10)]


def drawn(lot: Random, begin: int) -> Segment:
    """An hour as it may be: mostly plain, else with a gap, a bound or pulses carried over."""
    pulses = float(lot.randrange(1000))
    kind = lot.choice(("plain",) * 9 + ("dark", "unbound", "lead", "tail", "through", "unproven"))
    more = {
        "dark": {"known_ms": HOUR // 3, "unknown": 77.5},
        "unbound": {"known_ms": 0, "unknown": None},
        "lead": {"lead": 3.0},
        "tail": {"tail": 2.0},
        "through": {"lead": pulses, "tail": pulses, "through": True},
        "unproven": {"unproven": 12.0},
    }.get(kind, {})
    return Segment(begin, begin + HOUR, pulses, **{"known_ms": HOUR, **more})  # type: ignore[arg-type]


def filled(folder: Path, database: Database) -> Meters:
    made = meters(folder, database=database)
    lot = Random(7)
    for key in ("hobby-pad", "kestrel-pad", "fen-gas"):
        odd = [drawn(lot, at) for at in range(MARCH_2, MARCH_2 + 10 * DAY, HOUR)]
        made.hours(key, MARCH_2, MARCH_2 + 10 * DAY, *odd)
    return made


@both_dialects
def test_many_points_at_once_are_each_point_by_itself(database: Database, tmp_path: Path) -> None:
    made = filled(tmp_path, database)
    points = [made.counted(key) for key in ("hobby-pad", "kestrel-pad", "fen-gas", "fen-water")]
    change = Adjustment(
        0, points[0].point_id, MARCH_2 + HOUR, MARCH_2 + 3 * DAY, exact("-12.5"), "m³", "leak",
        MARCH_2, "sam",
    )  # fmt: skip
    factor = Factor(MARCH_2 + 5 * DAY + 7 * HOUR, exact("0.25"), "m³")
    with made.world.database.writing() as conn:
        adjustments.add(conn, change)
        k_factors.enter(conn, KeptFactor(points[1].point_id, factor, MARCH_2, "sam"))
    with made.world.database.reading() as conn:
        read = volume_days.of_points(conn, points, DAYS)
        for one in points:
            alone = volumes.booked(conn, one, DAYS, CONTRACT)
            for told, booked in zip(read.spans[one.point_id], alone, strict=True):
                assert told.booked.total == booked.total
                assert told.booked.volume == booked.volume
                assert told.counted.known_ms == booked.counted.known_ms
                assert told.counted.estimated == booked.counted.estimated
            whole = volumes.booked(conn, one, [(DAYS[0][0], DAYS[-1][1])], CONTRACT)[0]
            together = read.whole(one.point_id, (DAYS[0][0], DAYS[-1][1])).booked
            assert together.volume == whole.volume
            assert together.adjusted == whole.adjusted


def test_what_has_no_hour_is_loose_and_what_has_a_bound_is_not(
    database: Database, tmp_path: Path
) -> None:
    made = meters(tmp_path, database=database)
    dark = Segment(MARCH_2, MARCH_2 + HOUR, 1.0, known_ms=HOUR // 2, unknown=40.0)
    made.hours("hobby-pad", MARCH_2, MARCH_2 + 20 * HOUR, dark)
    with made.world.database.reading() as conn:
        read = volume_days.of_points(conn, [made.counted("hobby-pad")], DAYS[:1])
    (day,) = read.spans[made.counted("hobby-pad").point_id]
    assert day.loose_ms == 4 * HOUR
