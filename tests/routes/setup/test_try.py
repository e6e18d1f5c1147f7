"""A draft is tried at a live station before it is stored."""

import json

import pytest
from tests.routes.setup.setup_world import Setup, inputs

from tallymast.domain.model import Job, JobState
from tallymast.storage import jobs

POINT = "/setup/profiles/tank/points/LVL"


def job(setup: Setup) -> Job:
    with setup.world.database.reading() as conn:
        return jobs.newest(conn, "try", 1)[0]


def answer(setup: Setup, number: int, row: dict[str, object]) -> None:
    """What the poller stores when a station has answered."""
    with setup.world.database.writing() as conn:
        jobs.add_rows(conn, number, [(0, row)])
        jobs.update(conn, number, JobState.DONE, 1.0, "All was read.", setup.world.now_ms)


def test_a_draft_is_read_where_one_chose_and_decoded_as_it_stands(setup: Setup) -> None:
    asked = setup.send(f"{POINT}/try", setup.open(POINT), value__to="6.0", try__site="quill-tank")
    assert asked.status_code == 303
    made = job(setup)
    assert asked.headers["location"] == f"/setup/tries/{made.id}"
    assert made.params["unit"] == 1
    # Three input registers from 0 on are one read; direct radio is given 2.0 s (common practice).
    assert made.params["blocks"] == [["input", 0, 3]]
    assert made.params["timeout_s"] == 2.0
    waiting = setup.client.get(asked.headers["location"]).text
    assert "Waits for its turn at Quill Tank, unit 1" in waiting
    assert "not yet" in waiting
    # 12 000 µA is half of 4 to 20 mA, half of 0 to 6 m; 1243 is 12.43 V. 0x2EE0, 0x04DB.
    words = "2EE004DB0001"
    answer(setup, made.id, {"block": 0, "heard": "answer", "ms": 84.1, "words": words})
    done = setup.client.get(f"/setup/tries/{made.id}/rows").text
    assert "3.00\u00a0m" in done
    assert "<code>2EE0</code>" in done
    assert "12.43\u00a0V" in done
    assert "open" in done
    assert "hx-get" not in done
    # Nothing is stored, and what was typed is still there.
    assert setup.one("profile", "tank")["point"][0]["value"] == [0.0, 5.0]
    back = setup.send(POINT, inputs(setup.client.get(f"/setup/tries/{made.id}")), step="edit")
    assert inputs(back)["value.to"] == "6.0"
    (entry,) = setup.told("profile.try")
    assert entry.sentence == "local tried a profile at unit 1 behind Mast."


def test_a_refusal_is_said_in_words(setup: Setup) -> None:
    setup.send(f"{POINT}/try", setup.open(POINT), try__gateway="mast", try__unit="19")
    made = job(setup)
    assert made.params["unit"] == 19
    said = "Refused: it has no such register."
    answer(setup, made.id, {"block": 0, "heard": "refusal", "code": 2, "words": None, "said": said})
    done = setup.client.get(f"/setup/tries/{made.id}").text
    assert done.count(said) == 3
    assert "unknown" in done


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ({}, "Choose a site to try it at, or a gateway and a unit address."),
        ({"try__gateway": "mast", "try__unit": "400"}, "outside 1 to 247"),
        ({"try__site": "quill-tank", "register": "30005", "register__table": "coil"}, "two ways"),
    ],
)
def test_what_cannot_be_tried_says_why(setup: Setup, typed: dict[str, str], told: str) -> None:
    shown = {**setup.open(POINT), "try.gateway": "", "try.unit": ""}
    found = setup.send(f"{POINT}/try", shown, **typed)
    assert found.status_code == 422
    assert told in found.text
    with setup.world.database.reading() as conn:
        assert jobs.newest(conn, "try", 1) == []


def test_a_profile_without_points_is_not_tried(setup: Setup) -> None:
    setup.store("/setup/profiles/new", name="Empty")
    fields = {**setup.open("/setup/profiles/empty"), "try.site": "quill-tank"}
    found = setup.send("/setup/profiles/empty/try", fields)
    assert found.status_code == 422
    assert "add a point" in found.text


def test_a_new_point_is_tried_before_it_is_there(setup: Setup) -> None:
    path = "/setup/profiles/tank/points/new"
    typed = {"tag": "TEMP", "kind": "temperature", "register": "input 3", "try__site": "quill-tank"}
    assert setup.send(f"{path}/try", setup.open(path), **typed).status_code == 303
    assert job(setup).params["blocks"] == [["input", 0, 4]]


def test_a_sites_own_point_is_tried_at_that_site(setup: Setup) -> None:
    path = "/setup/sites/osier-pond/points/LVL"
    found = setup.client.post(
        f"{path}/try",
        data={**setup.open(path), "value.from": "0", "value.to": "2", "limits.high": "1.8"},
        headers={"hx-request": "true"},
    )
    assert found.status_code == 200
    assert 'id="tried"' in found.text
    assert "<html" not in found.text
    made = job(setup)
    assert made.params["unit"] == 2
    answer(setup, made.id, {"block": 0, "heard": "answer", "words": "2EE004DB0001"})
    assert "1.00\u00a0m" in setup.client.get(f"/setup/tries/{made.id}/rows").text


def test_no_code_of_a_lock_goes_into_a_trial(setup: Setup) -> None:
    site = "/setup/sites/quill-tank"
    looked = setup.send(site, setup.open(site), lock__0__where="gate", lock__0__code="73-11")
    setup.go_on(site, looked)
    path = f"{site}/points/LVL"
    setup.send(f"{path}/try", setup.open(path), name="Level here")
    assert "73-11" not in json.dumps(dict(job(setup).params))


def test_what_was_never_tried_is_not_there(setup: Setup) -> None:
    assert setup.client.get("/setup/tries/99").status_code == 404


def test_a_form_with_mistakes_says_so_where_it_would_be_tried(setup: Setup) -> None:
    fields = {**setup.open(POINT), "register": "nowhere", "try.site": "quill-tank"}
    found = setup.client.post(f"{POINT}/try", data=fields, headers={"hx-request": "true"})
    assert found.status_code == 200  # so that the page shows it
    assert '<a href="#f-register">Register</a>' in found.text
    assert "is no register" in found.text
