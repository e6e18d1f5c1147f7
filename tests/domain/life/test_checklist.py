"""What is looked at before a site comes back: by its supply and what it commands."""

from dataclasses import replace

from tests.simulator.conftest import TANK

from tallymast.domain.life.checklist import checks_of
from tallymast.domain.model import PointKind, Site, Supply, SupplyKind

SITE = Site("pond", "Pond", "mast", 3, "tank", TANK, 32, (), 2.0, 2, 20.0, 3)


def test_outputs_are_named_and_a_screen_is_never_their_lock() -> None:
    (outputs,) = [one for one in checks_of(SITE) if one.key == "outputs"]
    named = [one.tag for one in TANK if one.kind is PointKind.DISCRETE_OUTPUT]
    assert named
    assert all(f"({tag})" in outputs.words for tag in named)
    assert "never lock-out" in outputs.words


def test_a_site_without_outputs_has_no_such_line() -> None:
    bare = replace(SITE, points=())
    assert "outputs" not in {one.key for one in checks_of(bare)}


def test_a_battery_is_rested_and_a_primary_pack_is_not() -> None:
    solar = replace(SITE, supply=Supply(SupplyKind.SOLAR))
    primary = replace(SITE, supply=Supply(SupplyKind.PRIMARY))
    assert "rested two hours" in checks_of(solar)[0].words
    assert "at rest tells little" in checks_of(primary)[0].words
