"""Records: signed once, sealed, told as they were, repeated, listed; what a site says of them."""

import json
import re

import pytest
from starlette.testclient import TestClient
from tests.routes.commissioning.conftest import NAMES, SITE, Bench, text_of
from tests.routes.conftest import NETWORK, NOW_MS
from tests.routes.people.conftest import PASSWORD, Guarded, kept, populate

from tallymast.domain import network_file
from tallymast.domain.people import Role
from tallymast.domain.read_plan import read_plan
from tallymast.routes.services import NetworkView
from tallymast.storage import network, proofs

__all__ = ["kept", "populate"]

DAY_MS = 86_400_000
PNG = b"\x89PNG\r\n\x1a\n" + b"\0" * 40


@pytest.fixture
def signed(going: Bench) -> Bench:
    going.pass_all()
    assert going.sign().status_code == 303
    return going


def change(bench: Bench, before: str, after: str) -> None:
    """Let the network be another from now on."""
    assert before in NETWORK
    written, whole = network_file.read(NETWORK.replace(before, after), "two-tanks.toml")
    with bench.world.database.writing() as conn:
        network.store_network(
            conn,
            written,
            whole,
            actor="local",
            source="file",
            at_ms=bench.world.now_ms,
            plan_blocks=read_plan,
        )
    with bench.world.database.reading() as conn:
        bench.world.view = NetworkView(whole, network.load_plan(conn, whole))


def test_it_is_not_signed_while_a_point_is_open(going: Bench) -> None:
    going.result("LVL", "fail")
    number = going.proof().id
    refused = going.sign()
    assert refused.status_code == 422
    assert "is said of VBAT, HATCH; nothing was signed" in refused.text
    assert "Open: VBAT, HATCH." in going.client.get(f"/proofs/{number}").text
    assert going.proof().state == proofs.OPEN


def test_a_signed_record_tells_everything_and_takes_nothing_more(signed: Bench) -> None:
    proof = signed.proof()
    page = text_of(signed.client.get(f"/proofs/{proof.id}").text).replace("\u00a0", " ")
    for told in (
        "signed by R. Hale on 8 Mar 2026",
        "3 pass, 0 fail, 0 not tested",
        "At base M. Okoro",
        "UTC",
        "Network revision 1",
        "Tallymast 0.0-test",
        "none in the hardware register",
        "as found 20 mA 5.000 m 5.000 m 0.00 %",
    ):
        assert told in page, told
    refused = signed.sign("Somebody")
    assert refused.status_code == 409
    assert f"Proof {proof.id} is signed: nothing was kept." in refused.text
    assert signed.result("LVL", "fail").status_code == 409
    (entry,) = signed.told("proof.sign")
    assert "signed proof 1 of Quill Tank: 3 pass, as R. Hale." in entry.sentence


def test_the_record_stays_as_it_was_when_the_network_changes(signed: Bench) -> None:
    before = signed.client.get("/proofs/1/record.json").json()
    change(signed, "value = [0.0, 5.0]", "value = [0.0, 50.0]")
    change(signed, 'name = "Level"', 'name = "Pool"')
    after = signed.client.get("/proofs/1/record.json").json()
    assert after == before
    assert "Pool" not in signed.client.get("/proofs/1").text


def test_json_has_units_times_and_how_points_were_read(signed: Bench) -> None:
    told = signed.client.get("/proofs/1/record.json")
    assert told.headers["content-disposition"].startswith("attachment")
    record = json.loads(told.text)
    first = record["steps"][0]
    assert (first["applied"], first["applied_unit"], first["shown"]) == (4.0, "mA", 0.0)
    assert first["read"]["raw"] == [4000.0, 20_000.0]
    assert first["shown_at"].endswith("Z")
    assert record["at_site"] == NAMES["at_site"]
    assert [one["result"] for one in record["points"]] == ["pass", "pass", "pass"]
    assert record["made_at"] is None


def test_a_site_says_what_of_it_is_proven(signed: Bench) -> None:
    client = signed.client
    assert "All 3 points proven on 8 Mar 2026." in client.get(SITE).text
    other = text_of(client.get("/sites/osier-pond").text)
    assert "No commissioning record is kept here." in other
    change(signed, "value = [0.0, 5.0]", "value = [0.0, 50.0]")
    signed.world.now_ms += 3 * DAY_MS
    assert "Not proven: LVL (rescaled since 3 days)." in client.get(SITE).text
    listed = text_of(client.get(f"{SITE}/proofs").text)
    assert "2 of 3 points proven; not proven: 1." in listed
    assert "rescaled since 3 days" in listed


def test_only_what_is_not_proven_can_be_repeated(signed: Bench) -> None:
    ask = {"at_site": "R. Hale", "at_base": "M. Okoro", "which": "open"}
    refused = signed.client.post("/proofs/1/repeat", data=ask)
    assert "Every point is proven" in refused.text
    change(signed, "value = [0.0, 5.0]", "value = [0.0, 50.0]")
    signed.world.now_ms += 1000
    begun = signed.client.post("/proofs/1/repeat", data=ask, follow_redirects=False)
    assert begun.headers["location"] == f"{SITE}/check-out"
    proof = signed.proof()
    assert (proof.kind, proof.follows_id, proof.detail["scope"]) == ("repair", 1, ["LVL"])
    page = signed.page()
    assert 'id="row-LVL"' in page
    assert 'id="row-VBAT"' not in page
    assert signed.result("VBAT", "pass", "x").status_code == 409
    signed.result("LVL", "pass", "gauge beside")
    signed.sign()
    assert "All 3 points proven" in signed.client.get(SITE).text


def test_what_was_not_tested_is_told_with_its_reason(going: Bench) -> None:
    going.pass_all()
    going.result("HATCH", "not-tested", "no ladder")
    going.sign()
    assert "HATCH : no ladder" in text_of(going.client.get("/proofs/1").text)
    assert "Not proven: HATCH (not tested: no ladder)." in going.client.get(SITE).text


def test_names_instruments_and_remarks_are_put_right_until_it_is_signed(going: Bench) -> None:
    said = {"at_site": "R. Hale", "at_base": "Q. Adair", "instruments": "Calibrator 4"}
    going.client.post("/proofs/1/said", data=said | {"note": "Windy."})
    page = text_of(going.client.get("/proofs/1").text)
    assert "Instruments Calibrator 4" in page
    assert "Q. Adair" in page
    refused = going.client.post("/proofs/1/said", data=said | {"at_base": "", "note": "kept"})
    assert refused.status_code == 422
    assert ">kept</textarea>" in refused.text
    assert len(going.told("proof.remark")) == 1


def test_who_signs_is_the_account_that_is_signed_in(guarded_bench: Guarded) -> None:
    client = guarded_bench.as_(Role.OPERATOR)
    client.post(f"{SITE}/check-out", data=NAMES)
    for tag in ("LVL", "VBAT", "HATCH"):
        data = {"tag": tag, "result": "not-tested", "note": "rain"}
        assert client.post(f"{SITE}/check-out/result", data=data).status_code == 200
    client.post("/proofs/1/sign", data={"name": "O. Pal"})
    told = client.get("/proofs/1/record.json").json()
    assert (told["signed_name"], told["signed_by"]) == ("O. Pal", "opal")
    viewer = guarded_bench.as_(Role.VIEWER).get("/proofs/1").text
    assert "Repeat all points" not in viewer
    assert guarded_bench.as_(Role.VIEWER).post("/proofs/1/repeat").status_code == 403
    assert PASSWORD not in viewer


@pytest.fixture
def guarded_bench(populate: object) -> Guarded:
    return populate()  # type: ignore[operator,no-any-return]


# --- photographs -----------------------------------------------------------------------------


def add(client: TestClient, body: bytes, caption: str = "Terminals <A>", name: str = "a.png"):  # type: ignore[no-untyped-def]
    return client.post(
        "/commissioning/photos/1",
        files={"photo": (name, body, "text/html")},
        data={"caption": caption},
        follow_redirects=False,
    )


def test_a_photograph_is_kept_told_and_sealed(going: Bench) -> None:
    client = going.client
    assert add(client, PNG).status_code == 303
    page = client.get("/proofs/1").text
    assert 'alt="Terminals &lt;A&gt;"' in page
    assert "may hold the place and time" in page
    answer = client.get("/commissioning/photos/1")
    assert (answer.content, answer.headers["content-type"]) == (PNG, "image/png")
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert client.post("/commissioning/photos/1/remove").status_code == 200
    assert client.get("/commissioning/photos/1").status_code == 404
    add(client, PNG)
    going.pass_all()
    going.sign()
    assert add(client, PNG).status_code == 409
    assert client.post("/commissioning/photos/1/remove").status_code == 409


def test_what_is_no_photograph_is_refused(going: Bench) -> None:
    for body, caption, why in (
        (b"<html><script>1</script>", "A box", "no JPEG, PNG or WebP picture"),
        (b"GIF89a" + b"\0" * 30, "A box", "no JPEG, PNG or WebP picture"),
        (PNG, "", "what the photograph shows"),
        (b"\xff\xd8\xff" + b"\0" * 4_000_000, "A box", "may have 4 MB"),
    ):
        refused = add(going.client, body, caption)
        assert refused.status_code in (413, 422), why
        assert why in refused.text
    assert going.told("proof.photo") == []


def test_a_picture_is_what_its_bytes_say(going: Bench) -> None:
    for number, (body, media) in enumerate(
        (
            (b"\xff\xd8\xff\xe0" + b"\0" * 30, "image/jpeg"),
            (b"RIFF\x24\0\0\0WEBPVP8 " + b"\0" * 30, "image/webp"),
        ),
        1,
    ):
        add(going.client, body, name="page.html")
        answer = going.client.get(f"/commissioning/photos/{number}")
        assert answer.headers["content-type"] == media


def test_a_proof_has_twelve_photographs_at_most(going: Bench) -> None:
    for _ in range(12):
        assert add(going.client, PNG).status_code == 303
    assert "12 photographs at most" in add(going.client, PNG).text


# --- paper -----------------------------------------------------------------------------------

FORM = {
    **NAMES,
    "made": "2026-03-07T09:40",
    "instruments": "Calibrator 4",
    "r.LVL": "pass",
    "n.LVL": "zero trimmed",
    **{f"f.LVL.{n}": f"{1.25 * n + 0.1:g}" for n in range(5)},
    **{f"l.LVL.{n}": f"{1.25 * n:g}" for n in range(5)},
    "r.VBAT": "pass",
    "a.VBAT": "12,60",
    "f.VBAT": "12.58",
    "r.HATCH": "not-tested",
    "n.HATCH": "no ladder",
}


def enter(bench: Bench, **change: str):  # type: ignore[no-untyped-def]
    form = {name: value for name, value in (FORM | change).items() if value}
    return bench.client.post(f"{SITE}/check-out/from-paper", data=form, follow_redirects=False)


def test_the_blank_form_has_a_place_for_everything(bench: Bench) -> None:
    page = text_of(bench.client.get(f"{SITE}/check-out/paper").text).replace("\u00a0", " ")
    for told in ("4 mA 0.000 m", "20 mA 5.000 m", "seen shut", "seen open", "Hand meter", "□ pass"):
        assert told in page, told
    assert "open water" in page
    assert "Signed at base" in page


def test_a_form_entered_later_is_flagged_and_signed_like_any_other(bench: Bench) -> None:
    assert enter(bench).headers["location"] == "/proofs/1"
    proof = bench.proof()
    assert proof.made_ms == NOW_MS - DAY_MS - 20 * 60_000  # 7 March 09:40 UTC, by hand
    page = text_of(bench.client.get("/proofs/1").text).replace("\u00a0", " ")
    assert "Entered later from paper by local on 8 Mar 2026 10:00" in page
    assert "done on 7 Mar 2026 09:40" in page
    # By hand: 0.1 m of 5 m is 2 %; 12.58 beside 12.60 V is -0.16 %.
    assert "+2.00 %" in page
    assert f"{chr(0x2212)}0.16 %" in page
    assert "a zero error" in page
    bench.sign()
    assert "Not proven: HATCH (not tested: no ladder)." in bench.client.get(SITE).text


def test_a_form_with_a_mistake_keeps_what_was_typed_and_stores_nothing(bench: Bench) -> None:
    for other, sentence in (
        ({"made": "2026-03-08T10:01"}, "this time is to come"),
        ({"made": ""}, "Write when it was done"),
        ({"r.VBAT": ""}, "VBAT: say pass, fail or not tested."),
        ({"n.HATCH": ""}, "HATCH: write why it was not tested."),
        ({"f.LVL.2": "two"}, "LVL: what was shown has to be a number, not “two”."),
        ({"a.VBAT": ""}, "VBAT: what was applied has to be a number"),
        ({"f.VBAT": "11"}, "VBAT: a value is outside the tolerance"),
        ({"at_base": ""}, "or why one person does both"),
    ):
        refused = enter(bench, **other)
        assert refused.status_code == 422
        assert sentence in refused.text, sentence
        assert 'value="Calibrator 4"' in refused.text
    assert bench.told("proof.enter") == []


def test_all_mistakes_are_told_at_once(bench: Bench) -> None:
    page = enter(bench, **{"made": "", "r.VBAT": "", "n.HATCH": ""}).text
    assert len(re.findall(r"<li>(?:Write when|VBAT:|HATCH:)", page)) == 3


def test_a_proof_that_was_never_there_is_told(client: TestClient) -> None:
    for path in ("/proofs/7", "/proofs/99999999999999999999", "/proofs/7/record.json"):
        assert client.get(path).status_code == 404
    assert "There was never a proof 7." in client.get("/proofs/7").text
