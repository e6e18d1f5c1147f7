"""How several pumps of one site ran, out of one record."""

from dataclasses import replace

import numpy as np
from tests.storage.test_volumes import BEGIN, DENVER, HOUR, NETWORK, meter_of, poll

from tallymast.domain.totals.pumps import pumps_of
from tallymast.storage.engine import Database
from tallymast.storage.history import store_history
from tallymast.storage.run_times import run_times

MINUTE = 60_000
_POINT = """  [[profile.point]]
  tag = "{tag}"
  name = "{name}"
  kind = "{kind}"
  table = "input"
  register = {register}
"""
_SOME = (
    ("RUN1", "Pump 1 running", "discrete-input", "2\n  bit = 0"),
    ("RUN2", "Pump 2 running", "discrete-input", "2\n  bit = 1"),
    ("HRS2", "Pump 2 hours", "duration", '3\n  layout = "uint16"\n  unit = "min"'),
    ("STA2", "Pump 2 starts", "counter", "4"),
)
POINTS = "".join(
    _POINT.format(tag=tag, name=name, kind=kind, register=register)
    for tag, name, kind, register in _SOME
)
PUMPS = NETWORK.replace("[[site]]", f"{POINTS}[[site]]").replace("= 900", "= 300")


def test_each_pump_is_told_by_its_own_points(database: Database) -> None:
    # Polled every 5 min. Pump 1 runs the first 20 min of every hour. Pump 2 runs its last 30 min
    # as its contact says; its own counters also counted 2 min and a second start between polls.
    end = BEGIN + 3 * HOUR
    (gateway,) = meter_of(database, PUMPS).plan.gateways
    site = gateway.sites[0]
    some = []
    for at in range(BEGIN, end + 1, 5 * MINUTE):
        hours, into = divmod(at - BEGIN, HOUR)
        minutes = into // MINUTE
        late = minutes > 30
        counted = [500 + 32 * hours + late * (minutes - 28), 70 + 2 * hours + 2 * late]
        registers = [0, 3, (minutes < 20) + 2 * (minutes >= 30), *counted]
        one = poll(site.site_id, site.layout.id, (at, 0, 3))
        some.append(replace(one, words=np.array(registers, ">u2").tobytes()))
    store_history(database, site.site_id, site.layout, some)
    with database.reading() as conn:
        asked = (gateway.gateway, site, pumps_of(site.site), [(BEGIN + HOUR, end)])
        ((first,), (second,)) = run_times(conn, *asked, DENVER, end)
    assert (first.ran_ms, first.starts, first.by_station) == (2 * 20 * MINUTE, 2, False)
    assert (second.ran_ms, second.starts, second.by_station) == (2 * 32 * MINUTE, 4, True)
    assert first.known_share == second.known_share == 1.0
