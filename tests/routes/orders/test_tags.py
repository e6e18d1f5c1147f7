"""Do-not-operate tags: hung with a reason, shown at the output, removed by few, no lock-out."""

from tests.routes.orders.pump_world import PUMP, Bench, text_of, token_of
from tests.routes.people.conftest import Guarded

from tallymast.domain.orders.model import TagOut
from tallymast.domain.people import Role
from tallymast.storage import tag_outs

TAGS = "/sites/dunlin-booster/tags"
REASON = "lifting chain replaced, not tested"


def hang(bench: Bench, **fields: str) -> int:
    return bench.client.post(
        TAGS, data={"reason": REASON, **fields}, follow_redirects=False
    ).status_code


def hanging(bench: Bench) -> tuple[TagOut, ...]:
    with bench.world.database.reading() as conn:
        return tag_outs.hanging(conn)


def test_it_is_shown_wherever_the_output_is_and_stops_orders(bench: Bench) -> None:
    address = bench.choose()
    assert token_of(bench.client.get(address).text)
    assert hang(bench, tag="START") == 303
    assert token_of(bench.client.get(address).text) == ""
    for path in ("/sites/dunlin-booster", PUMP, address, "/sites/dunlin-booster/drive"):
        assert REASON in text_of(bench.client.get(path).text), path
    assert "do not operate START" in text_of(bench.client.get("/").text)
    site = text_of(bench.client.get("/sites/dunlin-booster").text)
    assert f"do not operate Pump (START) : {REASON}" in site[: site.index("Values")]
    other = "/sites/dunlin-booster/outputs/SPEED"
    assert REASON not in text_of(bench.client.get(other).text)
    (told,) = bench.told("tag.hang")
    assert told.sentence == (
        f"local hung a do-not-operate tag on Pump (START) of Dunlin Booster: {REASON}."
    )


def test_one_of_the_whole_site_is_on_every_output(bench: Bench) -> None:
    assert hang(bench) == 303
    for tag in ("START", "SPEED"):
        words = text_of(bench.client.get(f"/sites/dunlin-booster/outputs/{tag}").text)
        assert "whole site : " + REASON in words
    assert "do not operate the whole site" in text_of(bench.client.get("/").text)
    site = text_of(bench.client.get("/sites/dunlin-booster").text)
    assert f"do not operate the whole site : {REASON}" in site[: site.index("Values")]
    assert hang(bench) == 409  # one hangs there already


def test_nonsense_hangs_nothing(bench: Bench) -> None:
    assert hang(bench, reason=" a ") == 422
    assert hang(bench, tag="RUN") == 422
    assert hang(bench, tag="NONE") == 404
    assert hanging(bench) == ()


def test_its_paper_says_that_it_is_no_lock_out(bench: Bench) -> None:
    hang(bench, tag="START")
    number = hanging(bench)[0].id
    for paper in ("", "?paper=plain"):
        words = text_of(bench.client.get(f"{TAGS}/{number}{paper}").text)
        assert "Do-not-operate tag. This is not a lock-out" in words
        assert "OSHA 1910.147 or local law" in words
        assert REASON in words


def test_only_its_hanger_or_a_supervisor_removes_it_with_a_note(guarded: Guarded) -> None:
    opal, tess, sue = (
        guarded.as_(role) for role in (Role.OPERATOR, Role.TECHNICIAN, Role.SUPERVISOR)
    )
    bench = Bench(guarded.world, opal)

    def remove(client: object, note: str = "tested, lifts evenly") -> int:
        number = hanging(bench)[0].id
        made = client.post(  # type: ignore[attr-defined]
            f"{TAGS}/{number}/remove", data={"note": note}, follow_redirects=False
        )
        return int(made.status_code)

    hang(bench, tag="START")
    assert remove(tess) == 403
    assert remove(opal, " ") == 422
    assert len(hanging(bench)) == 1
    assert remove(opal) == 303
    hang(bench)
    assert remove(sue) == 303
    assert hanging(bench) == ()
    history = text_of(opal.get(TAGS).text)
    assert "Removed by sue: tested, lifts evenly" in history
    assert len(bench.told("tag.remove")) == 2


def test_a_script_hangs_lists_and_removes(bench: Bench) -> None:
    api = f"/api/v1{TAGS}"
    made = bench.client.post(api, json={"tag": "START", "reason": REASON})
    assert made.status_code == 201
    item = made.json()
    assert (item["tag"], item["actor"], item["removed_at"]) == ("START", "local", None)
    assert [one["id"] for one in bench.client.get(api).json()["items"]] == [item["id"]]
    assert bench.client.delete(f"{api}/{item['id']}").status_code == 422  # a note is needed
    gone = bench.client.delete(f"{api}/{item['id']}?note=tested").json()
    assert (gone["removed_by"], gone["note"]) == ("local", "tested")
    assert bench.client.get(api).json()["items"] == []
    assert len(bench.client.get(f"{api}?removed=true").json()["items"]) == 1
