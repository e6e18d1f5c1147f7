"""The audit: written with the act, never changed, searched, exported."""

import csv
import io

import pytest
from sqlalchemy.exc import SQLAlchemyError
from tests.routes.people.conftest import Guarded

from tallymast.domain.audit import Act
from tallymast.domain.errors import StorageError
from tallymast.domain.people import Role
from tallymast.storage import audit, schema

PATH = "/api/v1/sites/quill-tank"


def acted(guarded: Guarded) -> None:
    opal = guarded.as_(Role.OPERATOR)
    until = {"reason": "=cmd|' /C calc'!A0", "until": "2026-03-08T12:00:00Z"}
    assert opal.post(f"{PATH}/maintenance", json=until).status_code == 201
    assert opal.delete(f"{PATH}/maintenance").status_code == 204
    assert opal.post(f"{PATH}/poll").status_code == 202
    assert opal.post(f"{PATH}/desk-test").status_code == 202
    note = {"kind": "visit", "text": "Fence cut.\nsue signed in."}
    assert opal.post(f"{PATH}/notes", json=note).status_code == 201
    tess = guarded.as_(Role.TECHNICIAN)
    tess.post("/gateways/mast/line", data={"minutes": "10"}, follow_redirects=False)


def test_every_act_is_a_persons(guarded: Guarded) -> None:
    # ASVS 5.0.0 16.2.1: who, what, when, where.
    acted(guarded)
    told = [(one.actor, one.address, one.sentence) for one in reversed(guarded.told())]
    opal = ("opal", "192.0.2.7")
    assert told == [
        (*opal, "opal began maintenance at Quill Tank: =cmd|' /C calc'!A0"),
        (*opal, "opal ended maintenance at Quill Tank."),
        (*opal, "opal asked for a poll of Quill Tank."),
        (*opal, "opal asked for a desk test of Quill Tank."),
        (*opal, "opal wrote into the log book of Quill Tank: Fence cut. sue signed in."),
        ("tess", "192.0.2.7", "tess had the line of Mast recorded for 10 min."),
    ]
    assert {one.at_ms for one in guarded.told()} == {guarded.world.now_ms}


def test_a_note_is_in_the_log_book_with_its_writer(guarded: Guarded) -> None:
    acted(guarded)
    page = guarded.as_(Role.VIEWER).get("/sites/quill-tank").text
    assert "Fence cut. sue signed in." in page  # one line: 16.4.1
    assert "<small>opal</small>" in page
    assert 'action="/sites/quill-tank/notes"' not in page  # a viewer writes nothing


def test_a_refused_act_is_not_written_as_done(guarded: Guarded) -> None:
    opal = guarded.as_(Role.OPERATOR)
    gone = {"reason": "too late", "until": "2020-01-01T00:00:00Z"}
    assert opal.post(f"{PATH}/maintenance", json=gone).status_code == 422
    assert opal.post("/api/v1/sites/teal-pond/poll").status_code == 409
    assert opal.post(f"{PATH}/notes", json={"text": " \n\t x"}).status_code == 422
    assert guarded.told() == []


def test_the_page_finds_by_word_person_kind_and_day(guarded: Guarded) -> None:
    acted(guarded)
    sue = guarded.as_(Role.SUPERVISOR)
    assert "desk test" in sue.get("/audit?words=QUILL desk").text
    assert "Nothing matches" in sue.get("/audit?words=quill nowhere").text
    assert "Nothing matches" in sue.get("/audit?words=%25").text  # no wildcards
    assert "line of Mast" in sue.get("/audit?actor=tess").text
    assert "desk test" not in sue.get("/audit?actor=tess").text
    assert "Nothing matches" in sue.get("/audit?kind=account").text
    assert "desk test" in sue.get("/audit?from=2026-03-08&to=2026-03-08").text
    assert "Nothing matches" in sue.get("/audit?to=2026-03-07").text
    wrong = sue.get("/audit?from=yesterday")
    assert wrong.status_code == 422
    assert "write it like 2026-03-08" in wrong.text


def test_the_page_goes_back_without_skipping(guarded: Guarded) -> None:
    with guarded.world.database.writing() as conn:
        for n in range(250):
            act = Act("line.record", "gateway", f"g{n}", after={"minutes": n})
            audit.add(conn, act, at_ms=guarded.world.now_ms, actor="x")
    sue, query, seen = guarded.as_(Role.SUPERVISOR), "/audit?", []
    while query:
        page = sue.get(query).text
        seen += [n for n in range(249, -1, -1) if f"the line of g{n} " in page]
        query = page.split('class="button" href="')[-1].partition('"')[0].replace("&amp;", "&")
        query = query if "before=" in query else ""
    assert seen == list(range(249, -1, -1))


def test_the_file_holds_all_of_it_and_no_formula(guarded: Guarded) -> None:
    acted(guarded)
    sue = guarded.as_(Role.SUPERVISOR)
    found = sue.get("/audit.csv?actor=opal")
    assert found.headers["content-disposition"] == 'attachment; filename="audit.csv"'
    rows = list(csv.DictReader(io.StringIO(found.text)))
    assert len(rows) == 5
    assert rows[0]["time UTC"] == "2026-03-08T10:00:00.000Z"
    assert not [cell for row in rows for cell in row.values() if cell[:1] in "=+-@" and cell]
    assert guarded.told("audit.export")[0].actor == "sue"


def test_the_api_pages_through_it(guarded: Guarded) -> None:
    acted(guarded)
    sue = guarded.as_(Role.SUPERVISOR)
    first = sue.get("/api/v1/audit?limit=4").json()
    rest = sue.get(f"/api/v1/audit?limit=4&before={first['next']}").json()
    assert [len(first["items"]), len(rest["items"]), rest["next"]] == [4, 2, None]
    assert first["items"][0]["action"] == "line.record"


@pytest.mark.parametrize("statement", [schema.audit.delete(), schema.audit.update()])
def test_the_database_itself_refuses_changes(guarded: Guarded, statement: object) -> None:
    # ASVS 5.0.0 16.4.2
    acted(guarded)
    before = guarded.told()
    if str(statement).startswith("UPDATE"):
        statement = schema.audit.update().values(sentence="Nothing happened.")
    with (
        pytest.raises((StorageError, SQLAlchemyError), match="never changed"),
        guarded.world.database.writing() as conn,
    ):
        conn.execute(statement)  # type: ignore[call-overload]
    assert guarded.told() == before
