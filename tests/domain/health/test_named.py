"""Causes stand behind the findings they explain: one line a cause."""

from dataclasses import replace

from tests.domain.health.test_judged import HOUR, a_gateway, silent

from tallymast.domain.health.diagnosis.model import About, ChartOf, Diagnosis, Said, Shown
from tallymast.domain.health.findings import GatewayLost, PathSilent
from tallymast.domain.health.judged import ContactWatch, SupplyWatch, WorseTogether
from tallymast.domain.health.named import NamedFault, NamedWatch, with_causes
from tallymast.domain.health.supply.model import SupplyHealth, Verdict

GATEWAY = a_gateway(10, 20, 200)
SITES = [plan.site for plan in GATEWAY.sites]


def a_cause(
    cause: str, about: About, *site_ids: int, score: float = 4.0, tag: str = ""
) -> Diagnosis:
    words = Said("words")
    return Diagnosis(
        cause=cause,
        title=cause,
        about=about,
        gateway_id=1,
        site_ids=site_ids,
        since_ms=HOUR,
        score=score,
        says=words,
        advice=words,
        decides=words,
        chart=ChartOf(Shown.CONTACT, 0),
        tag=tag,
    )


def watched(n: int) -> ContactWatch:
    return ContactWatch(SITES[n - 1], None, None)


def test_a_cause_stands_behind_the_finding_of_its_matter() -> None:
    supply = SupplyWatch(SITES[0], SupplyHealth(Verdict.AGEING))
    contact = watched(1)
    antenna = a_cause("antenna", About.CONTACT, 1)
    found, causes = with_causes([supply, contact], [antenna], [GATEWAY])
    assert found == [supply, contact]
    assert causes == {contact.key: (antenna,)}


def test_a_cause_that_nothing_tells_of_is_a_finding_of_its_own() -> None:
    restarts = a_cause("restarts", About.COUNT, 2)
    (found,), causes = with_causes([], [restarts], [GATEWAY])
    assert type(found) is NamedWatch
    assert found.site_keys == ("site-2",)
    assert causes == {found.key: (restarts,)}


def test_one_cause_of_several_sites_takes_the_place_of_their_findings() -> None:
    interference = a_cause("interference", About.CONTACT, 1, 2)
    (other, line), causes = with_causes(
        [watched(1), watched(2), watched(3)], [interference], [GATEWAY]
    )
    assert other == watched(3)
    assert line.site_keys == ("site-1", "site-2")
    assert causes == {line.key: (interference,)}


def test_a_finding_of_several_sites_stays_and_takes_single_ones_along() -> None:
    together = WorseTogether(GATEWAY.gateway, tuple(SITES[:2]), HOUR, (10.0, 20.0))
    interference = a_cause("interference", About.CONTACT, 1, 2, 3)
    found, causes = with_causes([together, watched(3)], [interference], [GATEWAY])
    assert found == [together]
    assert list(causes) == [together.key]


def test_a_likely_fault_of_a_supply_is_for_today_and_a_possible_one_is_watched() -> None:
    likely = a_cause("not-charged", About.SUPPLY, 1)
    (one,), _ = with_causes([], [likely], [GATEWAY])
    (other,), _ = with_causes([], [replace(likely, score=2.0)], [GATEWAY])
    assert (type(one), type(other)) == (NamedFault, NamedWatch)


def test_a_gateways_cause_stands_behind_its_loss_and_not_behind_its_sites() -> None:
    lost = GatewayLost(GATEWAY.gateway, HOUR, ("site-1", "site-2", "site-3"), "refused")
    backhaul = a_cause("gateway", About.CONTACT)
    found, causes = with_causes([lost], [backhaul], [GATEWAY])
    assert (found, causes) == ([lost], {lost.key: (backhaul,)})


def test_a_repeaters_cause_stands_behind_the_silent_path() -> None:
    path = PathSilent(SITES[0], HOUR, ("site-2",), None)
    found, causes = with_causes([path], [a_cause("repeater", About.CONTACT, 1)], [GATEWAY])
    assert found == [path]
    assert path.key in causes


def test_a_battery_that_explains_contact_stands_behind_the_silence() -> None:
    battery = replace(a_cause("battery", About.SUPPLY, 1), explains=frozenset({About.CONTACT}))
    dark = silent(GATEWAY, 1)
    found, causes = with_causes([dark], [battery], [GATEWAY])
    assert (found, causes) == ([dark], {dark.key: (battery,)})


def test_causes_of_sites_that_are_gone_are_not_told() -> None:
    assert with_causes([], [a_cause("antenna", About.CONTACT, 9)], [GATEWAY]) == ([], {})
    assert with_causes([], [a_cause("antenna", About.CONTACT, 1)], []) == ([], {})
