"""The small world with totals and hardware, and a way to change its network."""

from tests.routes.conftest import NETWORK, NOW_MS, World

from tallymast.domain import network_file
from tallymast.domain.model import Outcome
from tallymast.domain.read_plan import read_plan
from tallymast.routes.services import NetworkView
from tallymast.storage import network
from tallymast.storage.hardware import Part, enter

COUNTING = NETWORK.replace(
    '\n[[site]]\nkey = "quill-tank"',
    """
  [[profile.point]]
  tag = "TOT"
  name = "Total"
  kind = "totalizer"
  table = "input"
  register = 3
  layout = "uint32"

[[site]]
key = "quill-tank\"""",
    1,
).replace(
    'key = "mast"\nname = "Mast"',
    'key = "mast"\nname = "Mast"\nlatitude = 44.10\nlongitude = -106.30',
)
MINUTE = 60_000


def words(volts: int, total: int, level: int = 12_000) -> bytes:
    """Level, supply voltage, hatch, and the total's two registers, high byte first."""
    return b"".join(one.to_bytes(2, "big") for one in (level, volts, 0)) + total.to_bytes(4, "big")


def answered(world: World, *found: tuple[int, int, int], key: str = "quill-tank") -> None:
    """Record polls: minutes before now, hundredths of a volt, and the total."""
    made = [
        (NOW_MS - before * MINUTE, Outcome.FIRST_TRY, words(volts, total))
        for before, volts, total in found
    ]
    world.polls(key, made)


def fit(
    world: World, kind: str, name: str = "", key: str | None = "quill-tank", **more: object
) -> Part:
    """Enter a part at a site, or (None) into the store."""
    site_id = world.plan(key).site_id if key else None
    with world.database.writing() as conn:
        return enter(conn, Part(0, site_id, kind, name, 0, **more))  # type: ignore[arg-type]


def rewrite(world: World, text: str) -> None:
    """Put another network in place, as its pages and the plan's watch would."""
    written, whole = network_file.read(text, "later.toml")
    with world.database.writing() as conn:
        network.store_network(
            conn, written, whole, actor="me", source="form", at_ms=NOW_MS, plan_blocks=read_plan
        )
    show_stored(world)


def show_stored(world: World) -> None:
    """Bring the pages' view up to what is stored."""
    with world.database.reading() as conn:
        whole = network_file.build(network.load_written(conn), "stored")
        world.view = NetworkView(whole, network.load_plan(conn, whole))
