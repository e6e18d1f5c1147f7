"""A webhook's secret is shown when it is made, and by nothing else."""

import io
import re
import zipfile
from dataclasses import replace

import pytest
from tests.routes.conftest import NOW_MS
from tests.routes.people.test_rights import ROUTES, STREAMS, address
from tests.routes.telling.conftest import GATE, Telling

from tallymast import running
from tallymast.domain.people import Role
from tallymast.domain.telling.model import Contact
from tallymast.domain.telling.secrets import found
from tallymast.settings import Settings
from tallymast.storage import contacts, telling_settings

PAGE = "/setup/telling"
VARIABLE = "TALLYMAST_WEBHOOK_SECRET_PAGER_DESK"
SECRET = "otter-7-reed-warbler-11-sluice-board-19"
OTHER = "kestrel-5-long-scarp-23-drip-tank-31-mast"


def environment(telling: Telling, secrets: dict[str, str]) -> None:
    """As the process that sends keeps it at its start."""
    with telling.guarded.world.database.writing() as conn:
        telling_settings.keep_environment(conn, found(secrets, NOW_MS))


def stored(telling: Telling) -> Contact:
    with telling.guarded.world.database.reading() as conn:
        return contacts.in_use(conn)[0]


def unpacked(body: bytes) -> bytes:
    """A spreadsheet's parts, or the body as it is."""
    if not body.startswith(b"PK"):
        return body
    with zipfile.ZipFile(io.BytesIO(body)) as sheets:
        return b"".join(sheets.read(name) for name in sheets.namelist())


def test_no_page_no_audit_and_no_export_holds_a_secret(telling: Telling) -> None:
    desk, sue = telling.contact(replace(GATE, secret=SECRET)), telling.as_(Role.SUPERVISOR)
    environment(telling, {VARIABLE: OTHER})
    own = f"{PAGE}/contacts/{desk.id}"
    form = {"name": "Pager desk", "address": "https://pager.example/k-9", "urgent": "yes"}
    answers = [sue.post(own, data=form), sue.post(own, data={**form, "address": "nowhere"})]
    answers += [sue.post(f"{own}/trial"), sue.post(f"{own}/secret")]
    pages = [address(path) for method, path in ROUTES if method == "GET" and path not in STREAMS]
    assert {own, "/audit.csv", "/setup/export/network.xlsx", "/api/v1/audit"} <= set(pages)
    answers += [sue.get(one) for one in pages]
    assert sum(one.status_code == 200 for one in answers) > 100
    for one in answers:
        for secret in (SECRET, OTHER):
            assert secret.encode() not in unpacked(one.content), one.url
    with telling.guarded.world.database.reading() as conn:
        feed = str(conn.exec_driver_sql("SELECT * FROM change").all())
        settings = str(conn.exec_driver_sql("SELECT * FROM setting").all())
        audit = str(conn.exec_driver_sql("SELECT * FROM audit").all())
    assert "Pager desk" in audit
    for told in (feed, settings, audit):
        assert SECRET not in told
        assert OTHER not in told
    folder = telling.guarded.world.database.file
    assert folder is not None
    assert SECRET not in running.export_network(Settings(data_dir=folder.parent))


def test_a_stored_secret_is_told_by_its_age_alone(telling: Telling) -> None:
    desk, sue = telling.contact(replace(GATE, secret=SECRET)), telling.as_(Role.SUPERVISOR)
    own = f"{PAGE}/contacts/{desk.id}"
    page = sue.get(own).text
    since = '<time datetime="2026-03-08T10:00:00.000Z">'
    assert re.search(f"It is set since {since}[^<]+</time>, and is not shown again", page)
    assert f"<code>{VARIABLE}</code>" in page
    refused = sue.post(f"{own}/secret/forget")
    assert (refused.status_code, "nothing would" in refused.text) == (409, True)
    assert stored(telling).secret == SECRET
    sue.post(f"{own}/retire")
    with telling.guarded.world.database.reading() as conn:
        assert contacts.every(conn)[desk.id].secret == ""


def test_where_the_environment_signs_the_stored_one_may_be_forgotten(telling: Telling) -> None:
    desk, sue = telling.contact(replace(GATE, secret=SECRET)), telling.as_(Role.SUPERVISOR)
    environment(telling, {VARIABLE: OTHER})
    own = f"{PAGE}/contacts/{desk.id}"
    page = sue.get(own).text
    assert "is set in the environment of the process that sends since its start" in page
    assert "and is not used" in page
    assert "Make a new secret" not in page
    assert sue.post(f"{own}/secret").status_code == 409  # it would sign nothing
    sue.post(f"{own}/secret/forget")
    assert stored(telling).secret == ""
    (entry,) = telling.guarded.told("contact.forget")
    assert entry.sentence == "sue had the database forget the secret of the contact Pager desk."
    form = {"name": "Pager desk", "address": GATE.address, "high": "yes"}
    sue.post(own, data=form)
    assert stored(telling).secret == ""  # storing the form makes none
    assert "Nothing signs" not in sue.get(PAGE).text
    environment(telling, {})  # started without it
    assert "Nothing signs what is sent to Pager desk, so nothing is sent" in sue.get(PAGE).text
    assert "None is set, so nothing is sent" in sue.get(own).text


@pytest.mark.parametrize("secrets", [{}, {VARIABLE: OTHER}])
def test_a_secret_is_made_only_where_the_environment_holds_none(
    telling: Telling, secrets: dict[str, str]
) -> None:
    environment(telling, secrets)
    form = {"way": "webhook", "name": "Pager desk", "address": GATE.address, "high": "yes"}
    page = telling.as_(Role.SUPERVISOR).post(f"{PAGE}/contacts", data=form).text
    assert bool(stored(telling).secret) == (not secrets)
    assert ("shown this once" in page) == (not secrets)


def test_two_webhooks_never_share_a_variable(telling: Telling) -> None:
    telling.contact(GATE)
    form = {"way": "webhook", "name": "Pager-Desk", "address": GATE.address, "high": "yes"}
    refused = telling.as_(Role.SUPERVISOR).post(f"{PAGE}/contacts", data=form)
    assert refused.status_code == 422
    assert f"Pager-Desk and Pager desk would share one secret, {VARIABLE}" in refused.text
