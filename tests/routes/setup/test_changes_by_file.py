"""Files sent in to change the network: drafts, mending, and what is stored of them."""

import io
import re
from typing import Any

import openpyxl
from sqlalchemy import select
from starlette.testclient import TestClient
from tests.routes.conftest import World, client, world
from tests.routes.people.conftest import Guarded, guarded, kept, populate
from tests.routes.setup.test_changes import base_of, listed, made, quill, written

from tallymast.domain.people import Role
from tallymast.storage import drafts, schema

__all__ = ["client", "guarded", "kept", "populate", "world"]

KEY = "key,poll_every_s,unit\n"


def sent(client: TestClient, content: str | bytes, name: str = "sites.csv") -> str:
    """Send a file; return the address of its draft."""
    body = content.encode() if isinstance(content, str) else content
    answer = client.post("/setup/import", files={"file": (name, body)}, follow_redirects=False)
    assert answer.status_code == 303, answer.text
    return answer.headers["location"]


def stored(client: TestClient, address: str) -> str:
    """Press the button of a draft's page; return where one is led."""
    data = {"step": "store", "base": base_of(client.get(address).text)}
    answer = client.post(address, data=data, follow_redirects=False)
    assert answer.status_code == 303, answer.text
    return answer.headers["location"]


def test_a_table_is_looked_at_then_stored(client: TestClient, world: World) -> None:
    address = sent(client, KEY + "quill-tank,30,1\n")
    page = client.get(address).text
    assert "Site quill-tank: poll_every_s was 60, is 30." in page
    assert "not in the file stay as they are" in page
    assert written(world)["site"][0]["poll_every_s"] == 60
    assert stored(client, address).startswith("/setup/revisions/")
    assert written(world)["site"][0]["poll_every_s"] == 30
    assert listed(world)[0].source == "csv"
    assert client.get(address).status_code == 404  # it was used


def test_every_export_comes_back_without_a_difference(client: TestClient, world: World) -> None:
    made(world, quill(lock=[{"where": "gate", "code": "7731"}]))
    before = written(world)
    for name in ("network.toml", "sites.csv", "points.csv", "network.xlsx"):
        content = client.get(f"/setup/export/{name}").content
        page = client.get(sent(client, content, name)).text
        assert "Nothing changes." in page, name
        assert "Make this change" not in page
    assert written(world) == before


def test_a_faulty_cell_is_mended_on_the_page(client: TestClient, world: World) -> None:
    address = sent(client, KEY + "quill-tank,30,1\nosier-pond,soon,300\n")
    answer = client.get(address)
    assert answer.status_code == 200
    assert "sites.csv, row 3, column B (poll_every_s)" in answer.text
    assert "sites.csv, row 3, column C (unit)" in answer.text
    fields = dict(re.findall(r'name="(cell[^"]*)" value="([^"]*)"', answer.text))
    assert fields == {"cell.0.1.1": "soon", "cell.0.1.2": "300"}
    data = {"step": "check", "cell.0.1.1": "20", "cell.0.1.2": "300"}
    again = client.post(address, data=data)
    assert "column C (unit)" in again.text
    assert "column B" not in again.text
    good = client.post(address, data={"step": "check", "cell.0.1.2": "2"})
    assert "poll_every_s was 60, is 20" in good.text
    stored(client, address)
    assert [one["poll_every_s"] for one in written(world)["site"][:2]] == [30, 20]


def test_a_formula_is_mended_by_a_value(client: TestClient, world: World) -> None:
    book = openpyxl.Workbook()
    book.active.title = "Sites"
    book.active.append(["key", "poll_every_s"])
    book.active.append(["quill-tank", "=15*2"])
    held = io.BytesIO()
    book.save(held)
    address = sent(client, held.getvalue(), "net.xlsx")
    page = client.get(address).text
    assert "net.xlsx, sheet Sites, row 2, column B (poll_every_s)" in page
    assert "A formula stands here" in page
    client.post(address, data={"step": "check", "cell.0.0.1": "45"})
    stored(client, address)
    assert written(world)["site"][0]["poll_every_s"] == 45


def test_a_broken_file_is_refused_whole(client: TestClient, world: World) -> None:
    before = written(world)
    answer = client.post("/setup/import", files={"file": ("s.csv", b"key,unit\na,1,2\nb\n")})
    assert answer.status_code == 422
    assert "s.csv, row 2: It has 3 cells" in answer.text
    assert "s.csv, row 3: It has 1 cell," in answer.text
    assert client.post("/setup/import").status_code == 422
    assert client.post("/setup/import", files={"file": ("s.csv", b"")}).status_code == 422
    assert written(world) == before


def test_what_is_wrong_is_cut_short_with_its_number(client: TestClient) -> None:
    rows = "".join(f"s{n},x,1\n" for n in range(362))
    page = client.get(sent(client, "key,poll_every_s,retries\n" + rows)).text
    assert page.count("<li>") == 50
    assert re.search(r"… and \d+ more", page)


def test_a_network_file_is_mended_in_its_text(client: TestClient, world: World) -> None:
    text = client.get("/setup/export/network.toml").text
    address = sent(client, text.replace("unit = 2", "unit = 2 m").replace("Town", "Hill"), "n.toml")
    page = client.get(address).text
    line = 1 + text[: text.index("unit = 2")].count("\n")
    assert f"Line {line}: unit = 2 m" in page
    assert "<textarea" in page
    wrong = text.replace("unit = 2", "unit = 300")
    again = client.post(address, data={"step": "check", "text": wrong.replace("\n", "\r\n")}).text
    assert f"n.toml, line {line}" in again
    assert "[site osier-pond unit] 300 is outside 1 to 247." in again
    good = client.post(address, data={"step": "check", "text": text.replace("Town", "Hill")}).text
    assert "area was" in good
    assert "takes the place of the whole network" in good
    stored(client, address)
    assert written(world)["site"][0]["area"] == "Hill"


def test_pasted_text_is_taken_too(client: TestClient, world: World) -> None:
    answer = client.post("/setup/import", data={"text": KEY + "quill-tank,25,1\n"})
    assert "poll_every_s was 60, is 25" in answer.text


def test_a_discarded_file_leaves_the_network_and_nothing_of_itself(
    client: TestClient, world: World
) -> None:
    before = written(world)
    address = sent(client, KEY + "quill-tank,30,1\n")
    assert "sites.csv" in client.get("/setup/import").text
    assert client.post(address, data={"step": "discard"}).status_code == 200
    assert client.get(address).status_code == 404
    assert "sites.csv" not in client.get("/setup/import").text
    assert written(world) == before
    with world.database.reading() as conn:
        assert conn.execute(select(schema.draft.c.body)).scalars().all() == ["{}"]


def test_a_file_waits_for_7_days(client: TestClient, world: World) -> None:
    address = sent(client, KEY + "quill-tank,30,1\n")
    world.now_ms += 7 * 86_400_000 - 1
    assert client.get(address).status_code == 200
    world.now_ms += 1
    assert client.get(address).status_code == 404
    with world.database.writing() as conn:
        assert drafts.end_old(conn, world.now_ms) == 1


def test_a_file_is_seen_by_whoever_sent_it_alone(guarded: Guarded) -> None:
    address = sent(guarded.as_(Role.TECHNICIAN), KEY + "quill-tank,30,1\n")
    assert guarded.as_(Role.TECHNICIAN).get(address).status_code == 200
    assert guarded.as_(Role.SUPERVISOR).get(address).status_code == 404
    assert guarded.as_(Role.OPERATOR).get(address).status_code == 403


def test_a_file_that_loses_most_sites_is_cautioned(client: TestClient, world: World) -> None:
    text = client.get("/setup/export/network.toml").text
    few = text[: text.index("[[site]]")] + text[text.rindex("[[site]]") :]
    page = client.get(sent(client, few, "n.toml")).text
    assert "2 of 3 sites would be gone" in page


def test_codes_are_kept_through_a_file_without_them_and_through_mending(
    client: TestClient, world: World
) -> None:
    made(world, quill(lock=[{"where": "gate", "code": "7731"}, {"where": "door", "code": "9"}]))
    before = written(world)
    text = client.get("/setup/export/network.toml").text
    assert "7731" not in text
    page = client.get(sent(client, text, "n.toml")).text
    assert "2 locks in the file have no code" in page
    # One who may not read codes sends a file with some, broken: they are not shown again.
    own = text.replace('where = "gate"', 'where = "gate"\n  code = "1234" # north')
    address = sent(client, own.replace("unit = 2", "unit = two"), "n.toml")
    page = client.get(address).text
    assert "1234" not in page
    assert "«kept 1»" in page
    shown = re.search(r"<textarea[^>]*>\n(.*?)</textarea>", page, re.DOTALL)
    assert shown
    mended = shown[1].replace("&#34;", '"').replace("unit = two", "unit = 2")
    client.post(address, data={"step": "check", "text": mended})
    stored(client, address)
    locks: Any = written(world)["site"][0]["lock"]
    assert locks == [{"where": "gate", "code": "1234"}, {"where": "door", "code": "9"}]
    assert before["site"][0]["lock"][0]["code"] == "7731"


def test_a_network_changed_meanwhile_is_looked_at_once_more(
    client: TestClient, world: World
) -> None:
    address = sent(client, KEY + "quill-tank,30,1\n")
    base = base_of(client.get(address).text)
    made(world, quill(area="Hill"))
    answer = client.post(address, data={"step": "store", "base": base})
    assert answer.status_code == 409
    assert "was changed meanwhile" in answer.text
    assert written(world)["site"][0]["poll_every_s"] == 60
    stored(client, address)
    assert written(world)["site"][0]["area"] == "Hill"


def test_fields_nobody_offered_change_nothing(client: TestClient, world: World) -> None:
    address = sent(client, KEY + "quill-tank,30,1\n")
    data = {"cell.0.9.9": "x", "cell.7.0.0": "x", "cell.0.-2.0": "x", "cell.a.b.c": "x", "cell": ""}
    assert "is 30" in client.post(address, data=data).text


def test_a_long_text_may_be_pasted(client: TestClient) -> None:
    # More than the 1 MB that a form's field may usually have, less than a file's 4 MB.
    long = KEY + "quill-tank,25,1\n" + "\n" * 1_100_000
    answer = client.post("/setup/import", data={"text": long}, files={"file": ("", b"")})
    assert "poll_every_s was 60, is 25" in answer.text
