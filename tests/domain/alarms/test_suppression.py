"""One cause is shown, and the alarms it hides say which."""

from dataclasses import replace
from datetime import date

import pytest
from tests.domain.alarms.around import around, site, standing, state

from tallymast.domain.alarms.model import Alarm, Kind
from tallymast.domain.alarms.suppression import suppressed
from tallymast.domain.model import Act, GatewayStatus, Priority, SiteStatus

LEVEL = Alarm("far/LVL/high", Kind.HIGH, Priority.HIGH, "far-lateral", "LVL", "scarp")
FAR = site("far-lateral", via="saddle-repeater")
SADDLE = site("saddle-repeater")
SILENT = state(SiteStatus.COMM_FAIL)


def test_a_lost_gateway_suppresses_the_alarms_of_its_sites_and_says_so() -> None:
    here = around(standing(FAR), gateway=GatewayStatus.UNREACHABLE)
    assert suppressed(LEVEL, here) == "suppressed: Long Scarp mast cannot be reached"


def test_a_gateway_nobody_answers_behind_suppresses_too() -> None:
    here = around(standing(FAR), gateway=GatewayStatus.MUTE)
    assert suppressed(LEVEL, here) == (
        "suppressed: Long Scarp mast takes the connection and no site behind it answers"
    )


@pytest.mark.parametrize("kind", [Kind.GATEWAY, Kind.STORAGE, Kind.POLLER])
def test_the_cause_itself_is_never_suppressed(kind: Kind) -> None:
    here = around(standing(FAR), gateway=GatewayStatus.UNREACHABLE)
    assert suppressed(replace(LEVEL, kind=kind), here) == ""


def test_a_silent_repeater_suppresses_the_sites_behind_it_and_not_itself() -> None:
    here = around(standing(FAR), standing(SADDLE, known=SILENT))
    assert suppressed(LEVEL, here) == (
        "suppressed: Saddle Repeater is silent, and Far Lateral is reached through it"
    )
    assert suppressed(replace(LEVEL, site="saddle-repeater"), here) == ""


def test_of_two_silent_repeaters_the_one_nearest_the_gateway_is_named() -> None:
    ridge = site("ridge", via="saddle-repeater")
    far = replace(FAR, via="ridge")
    here = around(standing(far), standing(ridge, known=SILENT), standing(SADDLE, known=SILENT))
    assert suppressed(LEVEL, here).startswith("suppressed: Saddle Repeater is silent")


def test_a_silent_site_of_its_own_is_not_suppressed() -> None:
    here = around(standing(FAR, known=SILENT), standing(SADDLE))
    assert suppressed(LEVEL, here) == ""


def test_a_way_that_runs_in_a_ring_ends() -> None:
    ring = around(standing(FAR), standing(replace(SADDLE, via="far-lateral"), known=SILENT))
    assert suppressed(LEVEL, ring).startswith("suppressed: Saddle Repeater")


@pytest.mark.parametrize(
    ("more", "act", "why"),
    [
        ({}, Act.MAINTENANCE, "Far Lateral is in maintenance, somebody works there"),
        ({}, Act.NOT_POLLED, "Far Lateral is not polled"),
        ({"in_service": False}, Act.NONE, "Far Lateral is not in service"),
        ({"retired": date(2026, 3, 1)}, Act.NONE, "Far Lateral is retired"),
    ],
)
def test_what_people_said_of_a_site_suppresses_its_alarms(
    more: dict[str, object], act: Act, why: str
) -> None:
    here = around(standing(replace(FAR, **more), act=act))  # type: ignore[arg-type]
    assert suppressed(LEVEL, here) == f"suppressed: {why}"


def test_a_site_in_contact_is_suppressed_by_nothing() -> None:
    assert suppressed(LEVEL, around(standing(FAR), standing(SADDLE))) == ""
    assert suppressed(LEVEL, around()) == ""
