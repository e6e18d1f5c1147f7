"""What is missing for a cause to be named is said, never guessed over."""

from dataclasses import replace

import pytest

from tallymast.domain.health.comms.model import CommHealth
from tallymast.domain.health.diagnosis.diagnose import diagnose
from tallymast.domain.health.diagnosis.evidence import Moment, SiteEvidence
from tallymast.domain.health.diagnosis.lacking import lacking
from tallymast.domain.health.site_health import NOT_JUDGED, SiteHealth
from tallymast.domain.health.supply.model import SupplyHealth, Verdict
from tallymast.domain.model import (
    Chemistry,
    Gateway,
    Point,
    PointKind,
    Site,
    SiteStatus,
    Supply,
    SupplyKind,
    Table,
    Transport,
    WordLayout,
)

BARE = Site("s", "S", "mast", 1, "tank", (), 60, (), 2.0, 2, 20.0, 3)
MAST = Gateway("mast", "Mast", Transport.RTU_OVER_TCP, "127.0.0.1:5020")


def point(kind: PointKind) -> Point:
    return Point(kind.value, kind.value, kind, Table.INPUT, 0, WordLayout.UINT16)


FULL = replace(
    BARE,
    points=(point(PointKind.SIGNAL), point(PointKind.SUPPLY_VOLTAGE)),
    supply=Supply(SupplyKind.SOLAR, Chemistry.AGM),
)
JUDGED = SiteHealth(SupplyHealth(Verdict.STEADY, nights=30), CommHealth(days=30.0))


def test_a_site_with_weeks_signal_and_supply_lacks_nothing() -> None:
    assert lacking(FULL, JUDGED) == ()


@pytest.mark.parametrize(
    ("site", "health", "expected"),
    [
        (BARE, JUDGED, ("no signal point", "no supply point")),
        (
            FULL,
            NOT_JUDGED,
            ("0 days of polls, 7 make a baseline", "0 nights of supply, 7 make a trend"),
        ),
        (
            FULL,
            SiteHealth(SupplyHealth(Verdict.FEW_NIGHTS, nights=1), CommHealth(days=1.4)),
            ("1 day of polls, 7 make a baseline", "1 night of supply, 7 make a trend"),
        ),
        (replace(FULL, supply=None), JUDGED, ("nobody described the supply",)),
        (replace(FULL, supply=Supply(SupplyKind.MAINS)), JUDGED, ()),
    ],
)
def test_it_is_said_what_is_missing(
    site: Site, health: SiteHealth, expected: tuple[str, ...]
) -> None:
    assert lacking(site, health) == expected


@pytest.mark.parametrize("site", [BARE, FULL])
def test_nothing_is_named_of_a_site_of_which_nothing_is_known(site: Site) -> None:
    moment = Moment(SiteStatus.IN_SERVICE, last_answer_ms=1)
    assert diagnose([SiteEvidence(1, site, 1, MAST, 1_000_000, moment)]) == ()
