"""The network changes under open pages: what left is gone, what came is there, nothing breaks."""

import asyncio
from collections.abc import Iterator

import pytest
from starlette.testclient import TestClient
from tests.routes.conftest import NETWORK, NOW_MS, World, words

from tallymast.domain import network_file
from tallymast.domain.model import Outcome
from tallymast.judging import Judge
from tallymast.routes.app import create_app
from tallymast.routes.day import Days
from tallymast.routes.services import NetworkView
from tallymast.storage import network

EMPTY = 'title = "New network"\ntime_zone = "UTC"\n'
MINUTE_MS = 60_000


def change(world: World, text: str) -> None:
    """Make the network what a text says, for pages too."""
    body, whole = network_file.read(text, "a form")
    with world.database.writing() as conn:
        network.store_network(conn, body, whole, actor="ada", source="form", at_ms=world.now_ms)
    with world.database.reading() as conn:
        world.view = NetworkView(whole, network.load_plan(conn, whole))


@pytest.fixture
def app_client(world: World) -> Iterator[TestClient]:
    body = words(12000, 1260, 0)
    for key in ("quill-tank", "osier-pond"):
        world.polls(key, [(NOW_MS - MINUTE_MS, Outcome.FIRST_TRY, body)])
    with TestClient(create_app(world.services())) as made:
        yield made


def without(text: str, key: str) -> str:
    """Return a network file's text without a site."""
    first, *sites = text.split("[[site]]")
    return "[[site]]".join([first, *(one for one in sites if f'key = "{key}"' not in one)])


def test_open_pages_of_a_site_that_is_removed_stay_as_they_were(
    world: World, app_client: TestClient
) -> None:
    state = app_client.app.state  # type: ignore[attr-defined]
    mast = world.view.gateways[0]
    for path in ("/", "/sites/osier-pond", "/gateways/mast"):
        assert app_client.get(path).status_code == 200
    site_board = state.site_boards.of(world.plan("osier-pond"))
    mast_board = state.gateway_boards.of(mast)
    version, _ = site_board.since(-1)
    change(world, without(NETWORK, "osier-pond"))
    for board in (site_board, mast_board, state.round_board):  # as their open streams do
        asyncio.run(board.catch_up())
    assert site_board.since(version)[1] == ""
    assert app_client.get("/sites/osier-pond").status_code == 404
    for path in ("/", "/gateways/mast", "/api/v1/sites", "/reliability", "/findings"):
        answer = app_client.get(path)
        assert answer.status_code == 200
        assert "osier-pond" not in answer.text.replace("/findings", "")


def test_a_site_that_is_added_renamed_or_moved_is_shown_at_once(
    world: World, app_client: TestClient
) -> None:
    assert "Heron Sump" not in app_client.get("/").text
    added = NETWORK + (
        '[[site]]\nkey = "heron"\nname = "Heron Sump"\ngateway = "mast"\n'
        'unit = 9\nprofile = "tank"\n'
    )
    change(world, added.replace('name = "Quill Tank"', 'name = "Quill Reservoir"'))
    page = app_client.get("/").text
    assert "Heron Sump" in page
    assert "Quill Reservoir" in page
    assert "Quill Tank" not in page
    assert app_client.get("/sites/heron").status_code == 200
    assert "Quill Reservoir" in app_client.get("/sites/quill-tank").text


def test_the_day_is_read_again_for_another_network() -> None:
    read: list[int] = []
    shown: list[object] = ["one"]

    def now(at_ms: int) -> dict[int, object]:
        read.append(at_ms)
        return {}

    days = Days(now, lambda: shown[0])  # type: ignore[arg-type]
    days.upto(NOW_MS)
    days.upto(NOW_MS + 1)
    assert read == [NOW_MS]
    shown[0] = "another"
    assert days.is_old(NOW_MS + 2)
    days.upto(NOW_MS + 2)
    days.upto(NOW_MS + 3)
    assert read == [NOW_MS, NOW_MS + 2]


def test_another_network_is_judged_without_waiting(world: World) -> None:
    judge = Judge(world.database, world.live, lambda: world.view, lambda: world.now_ms)
    judge.look()
    judge.look()
    first = judge.judged
    judge.look()
    assert judge.judged is first  # nothing is due for ten minutes
    change(world, without(NETWORK, "osier-pond"))
    judge.look()
    assert set(judge.judged.sites) == {plan.site_id for plan in world.view.sites}


def test_a_gateway_without_sites_has_its_page_and_says_what_comes_next(
    world: World, app_client: TestClient
) -> None:
    change(world, NETWORK.split("[[site]]")[0])
    assert app_client.get("/gateways/mast").status_code == 200
    assert "No site yet: enter the first one under" in app_client.get("/").text
    assert "No site yet" not in app_client.get("/?find=heron").text  # there it is the search


def test_every_page_lives_when_the_last_gateway_goes(world: World, app_client: TestClient) -> None:
    app_client.get("/")
    change(world, EMPTY)
    for path in ("/", "/gateways", "/reliability", "/findings", "/export", "/setup", "/storage"):
        assert app_client.get(path).status_code == 200, path
    assert "No site yet: enter the first gateway under" in app_client.get("/").text
    assert "No site yet: enter the first gateway under" in app_client.get("/reliability").text
    judge = Judge(world.database, world.live, lambda: world.view, lambda: world.now_ms)
    judge.look()
    assert judge.judged.sites == {}
    assert judge.causes == ()
