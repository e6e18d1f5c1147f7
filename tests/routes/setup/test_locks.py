"""Codes of locks go in by a form; no page, hidden field, draft, audit or log gives them back."""

from tests.routes.setup.setup_world import Setup, inputs

from tallymast.routes.setup.codes import KEPT_MS, TypedCodes

SITE, CODE = "/setup/sites/quill-tank", "73-11-88"


def stored_code(setup: Setup) -> list[str | None]:
    return [one.get("code") for one in setup.one("site", "quill-tank").get("lock", [])]


def enter(setup: Setup, **more: str) -> list[str]:
    """Enter a code by way of the look; return every page on the way."""
    looked = setup.send(SITE, setup.open(SITE), lock__0__where="gate", lock__0__code=CODE, **more)
    setup.go_on(SITE, looked)
    return [looked.text]


def test_a_code_is_stored_and_stands_on_no_page(setup: Setup) -> None:
    pages = enter(setup)
    assert stored_code(setup) == [CODE]
    pages += [setup.client.get(path).text for path in (SITE, "/setup", "/audit")]
    assert not [page for page in pages if CODE in page]
    assert "kept as it is" in pages[1]
    assert not [one for one in setup.told("network.change") if CODE in repr(one)]


def test_a_code_survives_a_mistake_and_going_back(setup: Setup) -> None:
    typed = {"lock__0__where": "gate", "lock__0__code": CODE, "unit": "2"}
    wrong = setup.send(SITE, setup.open(SITE), **typed)
    assert wrong.status_code == 422
    assert CODE not in wrong.text
    assert "typed, waits to be stored" in wrong.text
    looked = setup.send(SITE, inputs(wrong), unit="1")
    back = setup.send(SITE, inputs(looked), step="edit")
    assert CODE not in looked.text + back.text
    setup.go_on(SITE, setup.send(SITE, inputs(back)))
    assert stored_code(setup) == [CODE]


def test_a_code_stays_where_nobody_types_another(setup: Setup) -> None:
    enter(setup)
    setup.store(SITE, lock__0__where="north gate", area="Hill")
    assert setup.one("site", "quill-tank")["lock"] == [{"where": "north gate", "code": CODE}]
    setup.store(SITE, lock__0__forget="yes")
    assert stored_code(setup) == [None]
    setup.store(SITE, lock__0__where="")
    assert "lock" not in setup.one("site", "quill-tank")


def test_a_code_that_is_not_kept_any_more_is_asked_for_again(setup: Setup) -> None:
    looked = setup.send(SITE, setup.open(SITE), lock__0__where="gate", lock__0__code=CODE)
    setup.world.now_ms += KEPT_MS
    late = setup.send(SITE, inputs(looked), step="store")
    assert late.status_code == 422
    assert "type it once more" in late.text


def test_codes_are_found_only_by_whoever_typed_them() -> None:
    kept = TypedCodes()
    name = kept.keep("tess", {"lock.0.code": CODE}, 0)
    assert kept.find("tess", name, 1) == {"lock.0.code": CODE}
    assert kept.find("vi", name, 1) is None
    assert kept.find("tess", "another", 1) is None
    assert kept.find("tess", name, KEPT_MS) is None


def test_a_form_that_shows_no_locks_takes_none_away(setup: Setup) -> None:
    enter(setup)
    looked = setup.send(SITE, {"area": "Hill"})
    setup.go_on(SITE, looked)
    assert stored_code(setup) == [CODE]


def test_two_people_at_one_sites_locks_lose_none(setup: Setup) -> None:
    mine = setup.open(SITE)
    enter(setup)
    found = setup.send(SITE, mine, area="Hill")
    assert found.status_code == 409
    assert CODE not in found.text
    setup.go_on(SITE, setup.send(SITE, inputs(found)))
    assert stored_code(setup) == [CODE]
    assert setup.one("site", "quill-tank")["area"] == "Hill"


def test_while_one_types_no_code_is_kept_or_shown(setup: Setup) -> None:
    kept: TypedCodes = setup.client.app.state.typed_codes  # type: ignore[attr-defined]
    typed = {"lock__0__where": "gate", "lock__0__code": CODE}
    found = setup.send(f"{SITE}/check", setup.open(SITE), **typed)
    assert found.status_code == 200
    assert CODE not in found.text
    assert kept._kept == {}
