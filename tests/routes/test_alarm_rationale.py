"""Words of an alarm are written on its page, by who may; what is refused comes back whole."""

import html
import re
from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest
from starlette.testclient import TestClient
from tests.routes.alarm_world import HATCH, HIGH, LOW, Told, told
from tests.routes.conftest import World
from tests.routes.people.conftest import Guarded, kept, populate

from tallymast.domain.alarms.model import Standing, Step
from tallymast.domain.model import Priority
from tallymast.domain.people import Role
from tallymast.routes.app import create_app
from tallymast.storage import alarm_rows, audit, rationalised
from tallymast.storage.audit import Wanted

__all__ = ["kept", "populate"]

CALL = "Call the canal company on line 4; 20 min until it spills."


@pytest.fixture
def alarms(world: World) -> Told:
    return told(world)


@pytest.fixture
def page(alarms: Told) -> Iterator[TestClient]:
    with TestClient(create_app(alarms.services()), follow_redirects=False) as client:
        yield client


def text(page: str) -> str:
    """The words of a page as they are read."""
    return html.unescape(" ".join(re.sub(r"<[^>]+>", " ", page).split()))


def filled(page: str) -> dict[str, str]:
    """What stands in the form."""
    areas = re.findall(r'<textarea [^>]*name="(\w+)"[^>]*>\n(.*?)</textarea>', page, re.DOTALL)
    found = {name: html.unescape(words) for name, words in areas}
    found |= dict(re.findall(r'name="(seen)" value="(\d+)"', page))
    _, _, after = page.partition('<select id="words-priority"')
    chosen = re.findall(r'<option value="(\w+)" selected>', after)
    return {**found, "priority": chosen[0]}


def at(alarms: Told, act: str = "") -> str:
    return f"/alarms/{alarms.number(HIGH)}{act}"


def acts(world: World) -> list[str]:
    with world.database.reading() as conn:
        return [one.sentence for one in audit.search(conn, Wanted(action="alarm."), 100)]


def test_what_is_written_is_in_force_at_once_everywhere(
    alarms: Told, page: TestClient, world: World
) -> None:
    form = filled(page.get(at(alarms)).text)
    assert form["response"] == "Stop the filling pump; send somebody if it runs on."
    done = page.post(at(alarms, "/words"), data={**form, "response": CALL, "priority": "normal"})
    assert done.status_code == 303
    shown = text(page.get(done.headers["location"]).text)
    assert f"What to do {CALL} Built in: Stop the filling pump; send somebody" in shown
    assert "Priority normal Built in: high" in shown
    assert "Why it is an alarm The tank overflows onto the road. If nobody does" in shown
    found = {one["key"]: one for one in page.get("/api/v1/alarms?state=all").json()["items"]}
    assert (found[HIGH.key]["priority"], found[HIGH.key]["response"]) == ("normal", CALL)
    (said,) = acts(world)
    assert f"what to do “{CALL}”, before “Stop the filling pump;" in said
    assert "priority normal, before high" in said
    listed = text(page.get("/setup/alarms?words=own").text)
    assert "1 of 5 are shown" in listed
    assert "Level high high normal Limit 4.50 m On-delay 1 min Words" in listed


def test_it_is_taken_back_to_as_built_in(alarms: Told, page: TestClient, world: World) -> None:
    form = filled(page.get(at(alarms)).text)
    assert page.post(at(alarms, "/as-built")).status_code == 409
    page.post(at(alarms, "/words"), data={**form, "response": CALL})
    done = page.post(at(alarms, "/as-built"))
    shown = text(page.get(done.headers["location"]).text)
    assert "As built in for every alarm of this kind" in shown
    assert "What to do Stop the filling pump" in shown
    assert acts(world)[0].endswith(f"what to do “{HIGH.response}”, before “{CALL}”.")
    with world.database.reading() as conn:
        assert rationalised.every(conn) == ()


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        ({"response": "Call \x00them"}, "What to do: a control character stands after “Call ”"),
        ({"rationale": "ö" * 601}, "Why it is an alarm: this has 601 characters; at most 600"),
        ({"priority": "loud"}, "Priority: choose one of urgent, high, normal."),
    ],
)
def test_what_is_refused_comes_back_whole_and_nothing_is_kept(
    alarms: Told, page: TestClient, world: World, more: dict[str, str], sentence: str
) -> None:
    sent = {**filled(page.get(at(alarms)).text), "consequence": "It spills.", **more}
    refused = page.post(at(alarms, "/words"), data=sent)
    assert refused.status_code == 422
    assert sentence in text(refused.text)
    assert filled(refused.text) == {**sent, "priority": "high"}
    assert acts(world) == []
    with world.database.reading() as conn:
        assert rationalised.every(conn) == ()


def test_too_many_urgent_ones_are_told_before_it_is_kept(alarms: Told, page: TestClient) -> None:
    two = (replace(HATCH, priority=Priority.URGENT), replace(LOW, priority=Priority.URGENT))
    third = replace(two[1], key="quill-tank/LVL/low", site="quill-tank")
    alarms.stand({two[0]: Step(Standing()), third: Step(Standing())})
    sent = {**filled(page.get(at(alarms)).text), "priority": "urgent"}
    asked = page.post(at(alarms, "/words"), data=sent)
    assert asked.status_code == 200
    assert "Nothing was kept yet. Quill Tank has 3 urgent alarms." in text(asked.text)
    assert alarms.now().alarms[HIGH.key].priority is Priority.HIGH
    done = page.post(at(alarms, "/words"), data={**sent, "sure": "1"})
    assert done.status_code == 303
    assert alarms.now().alarms[HIGH.key].priority is Priority.URGENT


def test_of_two_who_write_the_second_is_told_and_loses_nothing(
    alarms: Told, page: TestClient
) -> None:
    form = filled(page.get(at(alarms)).text)
    page.post(at(alarms, "/words"), data={**form, "response": CALL})
    late = page.post(at(alarms, "/words"), data={**form, "response": "Ring the farm."})
    assert "Somebody else wrote these words meanwhile" in text(late.text)
    assert f"What to do {CALL}" in text(late.text)
    assert filled(late.text)["response"] == "Ring the farm."
    assert page.post(at(alarms, "/words"), data=filled(late.text)).status_code == 303
    assert alarms.now().alarms[HIGH.key].response == "Ring the farm."


def test_words_of_an_alarm_that_is_gone_are_told_and_can_be_taken_back(
    alarms: Told, page: TestClient, world: World
) -> None:
    here = at(alarms)
    form = filled(page.get(here).text)
    page.post(f"{here}/words", data={**form, "response": CALL})
    with world.database.writing() as conn:
        alarm_rows.enter(conn, {LOW.key: LOW}, world.now_ms)
    alarms.set_up = {LOW.key: LOW}
    assert f"{HIGH.key} : what to do “{CALL}”" in text(page.get("/setup/alarms").text)
    assert f"These words rest, because the alarm is not set up any more: what to do “{CALL}”" in (
        text(page.get(here).text)
    )
    assert page.post(f"{here}/words", data=form).status_code == 409
    assert page.post(f"{here}/as-built").status_code == 303
    assert "Words that rest" not in page.get("/setup/alarms").text


def test_who_may_not_set_up_reads_the_words_and_writes_none(
    populate: Callable[..., Guarded],
) -> None:
    guarded = populate("login")
    made = told(guarded.world)
    services = guarded.app.state.services
    guarded.app.state.services = replace(services, alarms=made.now)
    here = at(made)
    for role, may in ((Role.OPERATOR, False), (Role.TECHNICIAN, True), (Role.SUPERVISOR, True)):
        client = guarded.as_(role)
        shown = client.get(here).text
        assert "Why it calls, and what to do" in shown
        assert ("Keep these words" in shown) is may
        assert client.get("/setup/alarms").status_code == 200
        sent = {**(filled(shown) if may else {}), "response": f"{CALL} {role}."}
        status = client.post(f"{here}/words", data=sent, follow_redirects=False).status_code
        assert status == (303 if may else 403), role
    assert guarded.told("alarm.words")[0].actor == "sue"
