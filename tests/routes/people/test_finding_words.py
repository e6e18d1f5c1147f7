"""Who may say what a visit found, and that it is written down with the act."""

import pytest
from tests.routes.people.conftest import Guarded
from tests.routes.test_findings import fell, name

from tallymast.domain.errors import StorageError
from tallymast.domain.people import Role
from tallymast.routes.api import findings as api
from tallymast.storage import finding_words

WORD = {"verdict": "confirmed", "found": "connector", "text": "Crimped."}


def test_a_word_is_in_the_audit_with_its_person(guarded: Guarded) -> None:
    number = name(guarded.world, fell())
    tess = guarded.as_(Role.TECHNICIAN)
    assert (
        tess.post(f"/findings/{number}/word", data=WORD, follow_redirects=False).status_code == 303
    )
    (entry,) = guarded.told("finding.word")
    assert (entry.actor, entry.subject_kind, entry.subject_key) == ("tess", "finding", "1")
    assert entry.sentence == (
        "tess said of “Antenna, connector or surge arrester” at Quill Tank: "
        "confirmed (connector). Crimped."
    )
    assert "<small>tess" in tess.get("/findings").text


def test_a_viewer_sees_words_and_no_form(guarded: Guarded) -> None:
    number = name(guarded.world, fell())
    vi = guarded.as_(Role.VIEWER)
    for path in ("/findings", "/sites/quill-tank"):
        assert "/word" not in vi.get(path).text
        assert f'action="/findings/{number}/word"' in guarded.as_(Role.OPERATOR).get(path).text
    assert vi.post(f"/findings/{number}/word", data=WORD).status_code == 403
    assert vi.post(f"/api/v1/findings/{number}/word", json=WORD).status_code == 403
    with guarded.world.database.reading() as conn:
        assert finding_words.newest_word(conn) == 0


def test_word_and_audit_are_stored_together_or_not_at_all(
    guarded: Guarded, monkeypatch: pytest.MonkeyPatch
) -> None:
    number = name(guarded.world, fell())
    opal = guarded.as_(Role.OPERATOR)

    def refuse(*_: object) -> None:
        raise StorageError("The disk is full.")

    monkeypatch.setattr(api, "tell", refuse)
    assert opal.post(f"/api/v1/findings/{number}/word", json=WORD).status_code == 503
    with guarded.world.database.reading() as conn:
        assert finding_words.newest_word(conn) == 0
    assert guarded.told("finding.word") == []
