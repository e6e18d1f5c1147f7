"""The network is entered by forms: looked at, stored, refused, merged; nothing is ever lost."""

import pytest
from tests.routes.conftest import NOW_MS
from tests.routes.setup.setup_world import Setup, inputs

from tallymast.domain import network_file
from tallymast.domain.model import Outcome
from tallymast.storage import network

GATEWAY, SITE = "/setup/gateways/mast", "/setup/sites/quill-tank"


@pytest.mark.parametrize(
    "path",
    [
        "/setup/network",
        GATEWAY,
        "/setup/profiles/tank",
        "/setup/profiles/tank/points/LVL",
        SITE,
        f"{SITE}/points/LVL",
    ],
)
def test_a_form_that_is_only_looked_at_changes_nothing(setup: Setup, path: str) -> None:
    before = setup.written()
    again = setup.send(path, setup.open(path))
    assert "Nothing is different" in again.text
    assert setup.written() == before


def test_a_change_is_looked_at_before_it_is_made(setup: Setup) -> None:
    looked = setup.send(GATEWAY, setup.open(GATEWAY), retries="4")
    assert "Gateway mast: retries = 4 is new." in looked.text
    assert "retries" not in setup.one("gateway", "mast")
    stored = setup.go_on(GATEWAY, looked)
    assert stored.headers["location"] == f"{GATEWAY}?stored=2"
    assert setup.one("gateway", "mast")["retries"] == 4
    assert "Stored as revision 2" in setup.client.get(stored.headers["location"]).text
    (entry,) = setup.told("network.change")
    assert "by a form" in entry.sentence


def test_only_what_was_typed_is_written(setup: Setup) -> None:
    before = setup.one("gateway", "mast")
    setup.store(GATEWAY, retries="4")
    assert setup.one("gateway", "mast") == {**before, "retries": 4}
    setup.store(GATEWAY, retries="")
    assert setup.one("gateway", "mast") == before


def test_one_goes_back_from_the_look_with_everything_typed(setup: Setup) -> None:
    looked = setup.send(GATEWAY, setup.open(GATEWAY), name="Hill mast", retries="4")
    back = setup.send(GATEWAY, inputs(looked), step="edit")
    assert inputs(back)["name"] == "Hill mast"
    assert inputs(back)["retries"] == "4"


def test_mistakes_stand_beside_their_fields_and_what_was_typed_stays(setup: Setup) -> None:
    found = setup.send(SITE, setup.open(SITE), unit="2", poll_every_s="3,5", area="Hill")
    assert found.status_code == 422
    assert "2 things to mend" in found.text
    assert '<a href="#f-unit">Unit address</a>' in found.text
    assert 'id="f-unit-told">Unit 2 behind this gateway is Osier &lt;Pond&gt; already' in found.text
    assert "write the decimal point, 3.5" in found.text
    kept = inputs(found)
    assert (kept["unit"], kept["poll_every_s"], kept["area"]) == ("2", "3,5", "Hill")
    assert 'aria-describedby="f-unit-told f-unit-hint"' in found.text
    assert setup.one("site", "quill-tank")["unit"] == 1


def test_what_a_change_breaks_elsewhere_is_told(setup: Setup) -> None:
    setup.store(f"{SITE}/points/LVL", limits__high="4.0")
    path = "/setup/profiles/tank/points/LVL"
    found = setup.send(path, setup.open(path), value__to="3.0", limits__low="", limits__high="")
    assert found.status_code == 422
    assert "Site quill-tank, point LVL: 4 m is never reached" in found.text


def test_while_typing_only_the_messages_come(setup: Setup) -> None:
    found = setup.send("/setup/sites/new/check", {"name": "Alder Weir", "unit": "2"})
    assert "<input" not in found.text
    assert 'id="f-key-echo" hx-swap-oob="true">It will be alder-weir.' in found.text
    assert "This is needed" not in found.text  # it is still to come
    path = "/setup/profiles/tank/points/LVL/check"
    point = setup.send(path, {"register": "0x10", "register.table": "holding"})
    assert "holding register 16 on the wire, 40017 in lists numbered from 1" in point.text


def test_a_new_site_needs_a_name_and_goes_on_to_its_commissioning(setup: Setup) -> None:
    shown = setup.open("/setup/sites/new")
    # The only gateway and profile are chosen, and 4 is the lowest unit address that is free.
    assert (shown["gateway"], shown["profile"], shown["unit"]) == ("mast", "tank", "4")
    stored = setup.store("/setup/sites/new", name="Alder Weir")
    assert stored.headers["location"] == "/sites/alder-weir/commissioning"
    assert setup.one("site", "alder-weir") == {
        "key": "alder-weir",
        "name": "Alder Weir",
        "gateway": "mast",
        "unit": 4,
        "profile": "tank",
    }


def test_a_site_like_another_takes_over_what_they_share(setup: Setup) -> None:
    setup.store("/setup/sites/new?like=quill-tank", name="Reed Tank")
    made = setup.one("site", "reed-tank")
    assert made["area"] == "Town"
    assert made["supply"] == setup.one("site", "quill-tank")["supply"]
    assert made["unit"] == 4
    assert "access" not in made
    assert "cautions" not in made


def test_a_site_renamed_keeps_its_history_and_is_followed(setup: Setup) -> None:
    setup.store("/setup/sites/osier-pond", via="quill-tank")
    number = setup.world.plan("quill-tank").site_id
    stored = setup.store(SITE, key="quill-reservoir", name="Quill Reservoir")
    assert stored.headers["location"].startswith("/setup/sites/quill-reservoir?")
    assert setup.world.plan("quill-reservoir").site_id == number
    assert setup.one("site", "osier-pond")["via"] == "quill-reservoir"


def test_a_key_whose_history_is_anothers_is_refused_beside_it(setup: Setup) -> None:
    setup.world.polls("teal-pond", [(NOW_MS, Outcome.FIRST_TRY, b"\0" * 6)])
    with setup.world.database.writing() as conn:
        written = network.load_written(conn)
        written["site"] = written["site"][:2]
        network.store_network(
            conn, written, network_file.build(written, ""), actor="local", source="file", at_ms=1
        )
    new = setup.send("/setup/sites/new", setup.open("/setup/sites/new"), name="Teal Pond")
    assert new.status_code == 422
    assert "its history is kept under it" in new.text
    renamed = setup.send(SITE, setup.open(SITE), key="teal-pond")
    assert renamed.status_code == 422


def test_two_people_change_one_thing_and_neither_loses(setup: Setup) -> None:
    mine = setup.open(GATEWAY)
    setup.store(GATEWAY, retries="5", baud="19200")
    found = setup.send(GATEWAY, mine, name="Hill mast", baud="4800")
    assert found.status_code == 409
    assert "local stored this" in found.text
    assert "Gateway mast: retries = 5 is new." in found.text
    kept = inputs(found)
    assert (kept["name"], kept["baud"], kept["retries"]) == ("Hill mast", "4800", "5")
    assert "Meanwhile &#34;19200&#34; was stored here." in found.text
    looked = setup.send(GATEWAY, kept)
    setup.go_on(GATEWAY, looked)
    gateway = setup.one("gateway", "mast")
    assert (gateway["name"], gateway["baud"], gateway["retries"]) == ("Hill mast", 4800, 5)


def test_another_thing_changed_meanwhile_is_in_nobodys_way(setup: Setup) -> None:
    mine = setup.open(GATEWAY)
    setup.store("/setup/network", title="Three tanks")
    looked = setup.send(GATEWAY, mine, retries="1")
    assert looked.status_code == 200
    setup.go_on(GATEWAY, looked)
    assert setup.written()["title"] == "Three tanks"
    assert setup.one("gateway", "mast")["retries"] == 1


def test_a_gateway_and_a_profile_with_its_points_are_entered(setup: Setup) -> None:
    made = setup.store("/setup/gateways/new", name="Long Scarp mast", address="192.0.2.7:502")
    assert made.headers["location"].startswith("/setup?stored=")
    assert setup.one("gateway", "long-scarp-mast")["address"] == "192.0.2.7:502"
    made = setup.store("/setup/profiles/new", name="Meter station", max_words="16")
    assert made.headers["location"].startswith("/setup/profiles/meter-station?stored=")
    setup.store(
        "/setup/profiles/meter-station/points/new",
        tag="TOT1",
        kind="totalizer",
        register="30001",
        layout="uint32",
    )
    assert setup.one("profile", "meter-station") == {
        "key": "meter-station",
        "name": "Meter station",
        "max_words": 16,
        "point": [{"tag": "TOT1", "kind": "totalizer", "reference": 30001, "layout": "uint32"}],
    }
    page = setup.client.get("/setup/profiles/meter-station").text
    assert "input 0" in page
    assert "30001" in page


def test_a_profile_like_another_takes_over_its_points(setup: Setup) -> None:
    setup.store("/setup/profiles/new?like=tank", name="Tall tank")
    assert setup.one("profile", "tall-tank")["point"] == setup.one("profile", "tank")["point"]


def test_a_changed_tag_is_said_to_be_a_new_point(setup: Setup) -> None:
    path = "/setup/profiles/tank/points/LVL"
    assert "readings kept under LVL stay there" in setup.client.get(path).text
    setup.store(f"{SITE}/points/LVL", name="Basin level")
    setup.store(path, tag="LEVEL")
    assert setup.one("site", "quill-tank")["point"] == [{"tag": "LEVEL", "name": "Basin level"}]


def test_a_site_overrides_a_point_and_goes_back_to_its_profile(setup: Setup) -> None:
    path = f"{SITE}/points/LVL"
    assert 'placeholder="profile: 30001"' not in setup.client.get(path).text
    assert 'placeholder="profile: input 0"' in setup.client.get(path).text
    setup.store(path, name="Basin level", value__from="0", value__to="3.2", limits__high="3")
    assert setup.one("site", "quill-tank")["point"] == [
        {"tag": "LVL", "name": "Basin level", "value": [0, 3.2], "limits": {"high": 3}}
    ]
    assert "changed here: limits, name, value" in setup.client.get(SITE).text
    setup.store(path, name="", value__from="", value__to="", limits__high="")
    assert "point" not in setup.one("site", "quill-tank")


def test_a_point_of_one_site_alone_is_added_and_removed(setup: Setup) -> None:
    own = f"{SITE}/points/new"
    setup.store(own, tag="TEMP", kind="temperature", register="input 9", unit="°C")
    assert "own" in setup.client.get(SITE).text
    gone = setup.client.post(f"{SITE}/points/TEMP/remove")
    assert "Point TEMP removed" in gone.text
    setup.go_on(f"{SITE}/points/TEMP/remove", gone)
    assert "point" not in setup.one("site", "quill-tank")


def test_what_is_in_use_is_not_removed(setup: Setup) -> None:
    for path, why in (
        (GATEWAY, "still reaches quill-tank"),
        ("/setup/profiles/tank", "is used by quill-tank"),
    ):
        found = setup.client.post(f"{path}/remove")
        assert found.status_code == 409
        assert why in found.text
    setup.store(f"{SITE}/points/LVL", name="Basin level")
    found = setup.client.post("/setup/profiles/tank/points/LVL/remove")
    assert found.status_code == 409
    assert "site quill-tank.point LVL" in found.text


def test_a_site_retires_and_keeps_its_history(setup: Setup) -> None:
    looked = setup.client.post(f"{SITE}/retire")
    assert "Quill Tank retired" in looked.text
    setup.go_on(f"{SITE}/retire", looked)
    # The small world's clock stands at 2026-03-08.
    assert setup.one("site", "quill-tank")["retired"] == "2026-03-08"
    assert setup.world.view.site("quill-tank") is None
    page = setup.client.get("/setup").text
    assert "since 2026-03-08" in page
    setup.store("/setup/sites/new", name="Quill Tank Two", unit="1")  # its address is free again
    setup.store(SITE, retired="", unit="9")
    assert setup.world.view.site("quill-tank") is not None


def test_only_a_site_that_never_answered_is_removed(setup: Setup) -> None:
    setup.world.polls("quill-tank", [(NOW_MS, Outcome.FIRST_TRY, b"\0" * 6)])
    refused = setup.client.post(f"{SITE}/remove")
    assert refused.status_code == 409
    assert "retire it" in refused.text
    looked = setup.client.post("/setup/sites/osier-pond/remove")
    setup.go_on("/setup/sites/osier-pond/remove", looked)
    assert [one["key"] for one in setup.written()["site"]] == ["quill-tank", "teal-pond"]


def test_a_repeater_is_not_retired_under_its_sites(setup: Setup) -> None:
    setup.store("/setup/sites/osier-pond", via="quill-tank")
    found = setup.client.post(f"{SITE}/retire")
    assert found.status_code == 409
    assert "carries nobody" in found.text


@pytest.mark.parametrize("path", ["/setup/sites/nowhere", "/setup/profiles/tank/points/NONE"])
def test_what_is_not_there_says_what_is_near(setup: Setup, path: str) -> None:
    found = setup.client.get(path)
    assert found.status_code == 404
    assert "The nearest is" in found.text


def test_a_form_sent_empty_or_with_rubbish_is_answered_in_sentences(setup: Setup) -> None:
    odd = ("{", "7", "{}", '{"lock": 5}', '{"key": "mast", "retries": {"a": [1]}, "point": 3}')
    for path in ("/setup/network", GATEWAY, SITE, "/setup/sites/new", "/setup/profiles/new"):
        for was in odd:
            rubbish = {"was": was, "codes": "x", "lock.9.where": "", "season.back": "soon"}
            assert setup.send(path, rubbish).status_code < 500
    found = setup.send("/setup/gateways/new", {"name": "x" * 30_000, "address": "\0"})
    assert found.status_code == 422


def test_an_empty_network_says_what_comes_first_and_is_entered_to_its_first_site(
    setup: Setup,
) -> None:
    with setup.world.database.writing() as conn:
        empty = {"title": "Empty"}
        network.store_network(
            conn, empty, network_file.build(empty, ""), actor="local", source="file", at_ms=1
        )
    page = setup.client.get("/setup").text
    assert "No gateway yet." in page
    assert "It needs a gateway and a profile first." in page
    setup.store("/setup/gateways/new", name="Hill mast", address="192.0.2.7:502")
    setup.store("/setup/profiles/new", name="Small tank")
    point = "/setup/profiles/small-tank/points/new"
    setup.store(point, tag="LVL", kind="analog-input", register="30005")
    setup.store("/setup/sites/new", name="First site")
    site = setup.world.plan("first-site").site
    assert (site.gateway, site.unit, site.profile) == ("hill-mast", 1, "small-tank")


def test_the_word_of_the_address_of_a_new_one_is_no_key(setup: Setup) -> None:
    found = setup.send(GATEWAY, setup.open(GATEWAY), key="new")
    assert found.status_code == 422
    assert "choose another" in found.text


def test_what_somebody_removed_while_one_typed_is_not_lost(setup: Setup) -> None:
    mine = setup.open("/setup/sites/osier-pond")
    setup.go_on(
        "/setup/sites/osier-pond/remove", setup.client.post("/setup/sites/osier-pond/remove")
    )
    looked = setup.send("/setup/sites/osier-pond", mine, area="Hill", step="store")
    assert looked.status_code == 200
    assert "osier-pond, removed meanwhile, made anew" in looked.text
    setup.go_on("/setup/sites/new", looked)
    assert setup.one("site", "osier-pond")["area"] == "Hill"
