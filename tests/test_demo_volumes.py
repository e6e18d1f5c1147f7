"""What the demo keeps for volumes makes no healthy site look ill."""

from pathlib import Path

import numpy as np
import pytest

from tallymast.demo import demonstration
from tallymast.demo.volumes import demo_volumes
from tallymast.simulator.site_model import SiteModel
from tallymast.storage import balances, index_readings, k_factors, permits
from tallymast.storage.engine import open_database
from tallymast.storage.volume_keeping import counted_points

NOW_MS = 1_795_618_920_000  # 25 November 2026 08:02 in Denver
DAY_S = 86_400.0


def test_it_is_kept_once_and_agrees_with_what_the_stations_will_have_counted(
    tmp_path: Path,
) -> None:
    database = open_database(tmp_path / "tallymast.sqlite3")
    scene = demonstration.begin(database, NOW_MS)
    assert demo_volumes(database, scene)
    assert not demo_volumes(database, scene)
    with database.reading() as conn:
        points = {
            (plan.site.key, one.point.tag): one
            for gateway, plan in scene.sites
            for one in counted_points(conn, gateway.gateway, plan)
        }
        kestrel, well = points["kestrel-pad", "TOT1"], points["sorrel-well", "TOT"]
        first, last = index_readings.of_point(conn, kestrel.point_id)
        (factor,) = k_factors.kept(conn, points["gannet-turnout", "TOT1"].point_id)
        (permit,), (pond,) = permits.in_force(conn), balances.in_force(conn)
    database.close()
    model = SiteModel(scene.world.network, kestrel.plan.site, 1, scene.world.faults)
    times = np.array([first.read_ms, last.read_ms]) / 1000.0
    counted = float(np.diff(model.flowed(kestrel.point, times))[0]) * 0.1  # m³ a pulse
    by_index = float(last.index - first.index)
    assert counted / by_index == pytest.approx(1 / 1.003, abs=2e-5)  # a few tenths of a per cent
    assert 0.99 < float(factor.factor.per_pulse) / 0.1 < 1.01
    # Sorrel Well's permit is above what it lifts in any month of 31 days, here or in a year.
    well_model = SiteModel(scene.world.network, well.plan.site, 1, scene.world.faults)
    days = NOW_MS / 1000.0 + DAY_S * np.arange(-60, 365)
    lifted = np.diff(well_model.flowed(well.point, days)) / (well.point.k_factor or 1.0)
    assert np.convolve(lifted, np.ones(31), "valid").max() < float(permit.amount)
    assert (len(pond.inflows), len(pond.outflows)) == (1, 2)
