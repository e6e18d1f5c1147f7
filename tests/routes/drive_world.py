"""A world made for a drive: a site with everything a sheet can hold, and what is judged of it."""

from collections.abc import Mapping
from dataclasses import replace

from tests.routes.conftest import NETWORK, NOW_MS, World, words

from tallymast.domain.health.comms.model import Cause, CommHealth, Outage, Returns
from tallymast.domain.health.nights import DAY_MS, day_number, day_of
from tallymast.domain.health.site_health import SiteHealth
from tallymast.domain.health.supply.model import Forecast, SupplyHealth, Verdict
from tallymast.domain.model import JobState, Outcome
from tallymast.routes.services import Services
from tallymast.storage import jobs, notes, schema
from tallymast.storage.changes import insert_many

CODES = ("4417-QX", "9083-ZV", "2265-KJ")
HOUR = 3_600_000
LONG = "Follow the county road to the second grid, then the field track along the fence. " * 8

FULL = (
    NETWORK.replace(
        'cautions = ["open water"]',
        f'''road = "{LONG}"
coverage = "{LONG[:480]}"
drawing = "{LONG[:480]}"
cautions = ["open water", "hydrocarbon vapour: gas monitor", "tower: fall protection",
  "confined space: tank hatch", "classified area: ratings and live-disconnect rules apply",
  "rotating machinery", "fall from ladder", "produced water", "pressure"]''',
    )
    .replace('access = "Gate code with the district office."', f'access = "{LONG}"')
    .replace(
        "  disconnect_v = 11.5\n",
        f"""  disconnect_v = 11.5
  installed = 2021-10-12
  panel_w = 20

  [[site.lock]]
  where = "road gate"
  code = "{CODES[0]}"
  [[site.lock]]
  where = "track gate"
  code = "{CODES[1]}"
  [[site.lock]]
  where = "cabinet"
  code = "{CODES[2]}"
  [[site.lock]]
  where = "tank hatch"
  [[site.point]]
  tag = "AI2"
  name = "Pressure below the valve"
  kind = "analog-input"
  table = "input"
  register = 3
  layout = "uint16"
  raw = [4000, 20000]
  value = [0.0, 1000.0]
  unit = "kPa"
  loop = "4-20mA"
  [[site.point]]
  tag = "RSSI"
  name = "Signal"
  kind = "signal"
  table = "input"
  register = 4
  layout = "int16"
  unit = "dBm"
  [[site.point]]
  tag = "OUT1"
  name = "Output 1"
  kind = "discrete-output"
  table = "holding"
  register = 10
  layout = "bool"
  write = {{ table = "holding", register = 10, function = 6 }}
  [[site.point]]
  tag = "OUT2"
  name = "Output 2"
  kind = "discrete-output"
  table = "holding"
  register = 11
  layout = "bool"
  write = {{ table = "holding", register = 11, function = 6 }}
""",
    )
)

NOT_CHARGING = SupplyHealth(
    Verdict.NOT_CHARGING,
    nights=30,
    since_ms=NOW_MS - 9 * DAY_MS,
    forecast=Forecast(NOW_MS - 4 * HOUR, 5.4, 6.3, 7.6, 11.5, 30),
    charged_ms=NOW_MS - 9 * DAY_MS,
    absorbed_ms=NOW_MS - 10 * DAY_MS,
)
OUTAGES = tuple(
    Outage(1, NOW_MS - n * DAY_MS, NOW_MS - n * DAY_MS + 52 * 60_000, 50, cause=Cause.SUPPLY)
    for n in range(12, 0, -1)
)
HEALTH = SiteHealth(NOT_CHARGING, CommHealth(returns=Returns(4, 180, 640), outages=OUTAGES))


def judged(world: World, health: Mapping[str, SiteHealth], viewing: str = "open") -> Services:
    """What the web is handed where the judge has spoken."""
    by_id = {world.plan(key).site_id: one for key, one in health.items()}
    return replace(world.services(viewing), health=lambda: by_id)


def fill(world: World, at_ms: int = NOW_MS - 8000) -> None:
    """Let thirty nights, notes and a desk test have been; the site answers, its loop is broken."""
    plan = world.plan("quill-tank")
    today = day_number(day_of(NOW_MS // DAY_MS))
    nights = [
        (plan.site_id, today - n, 11.9, NOW_MS - n * DAY_MS, 12.0 + 0.02 * n, 13.9, NOW_MS, 120)
        for n in range(29, -1, -1)
    ]
    body = (
        words(3500, 1208, 1) + (12_000).to_bytes(2, "big") + (-75).to_bytes(2, "big", signed=True)
    )
    world.polls("quill-tank", [(at_ms, Outcome.FIRST_TRY, body)])
    with world.database.writing() as conn:
        insert_many(conn, schema.night, nights)
        for n, kind in enumerate(("visit", "repair", "visit", "observation", "repair")):
            written_ms = NOW_MS - (n + 3) * DAY_MS
            text = f"Battery terminals cleaned, grease renewed; {LONG}"[:400]
            notes.add(conn, plan.site_id, at_ms=written_ms, actor="R. Hale", kind=kind, text=text)
        job = jobs.ask(
            conn, "desk-test", site_id=plan.site_id, actor="local", at_ms=NOW_MS - 200_000
        )
        said = (
            "Quill Tank: 19 of 20 polls answered, 17 at the first try; "
            "answers took 82 ms, 95 % within 240 ms."
        )
        jobs.update(conn, job.id, JobState.DONE, 1.0, said, NOW_MS - 180_000)
