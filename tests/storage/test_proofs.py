"""Proofs, their steps and photographs as they are kept, in both dialects; sealed once signed."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from sqlalchemy import Connection, delete, insert, update
from tests.dialects import DIALECTS, database_of
from tests.storage.conftest import Planted, a_layout, plant

from tallymast.domain.commissioning.steps import (
    Phase,
    Result,
    Step,
    StepKind,
    meaning_in,
)
from tallymast.domain.errors import StorageError
from tallymast.storage import proof_photos, proof_steps, proofs, schema
from tallymast.storage.engine import Database
from tallymast.storage.layouts import keep_layout
from tallymast.storage.proof_since import other_since
from tallymast.storage.proofs import Proof

STEP = Step(
    1,
    "LVL",
    StepKind.CHECK,
    Phase.AS_FOUND,
    Result.PASS,
    5000,
    "r.hale",
    applied=12.0,
    expected=2.5,
    shown=2.51,
    shown_ms=4900,
    error_pct=0.2,
    tolerance_pct=0.5,
    raw=12_032,
    note="calibrator 4",
    more={"typed": "3 V"},
)


@dataclass
class Bench:
    """A database with one site, and a proof of it that goes on."""

    planted: Planted
    proof: Proof

    @property
    def database(self) -> Database:
        return self.planted.database

    def write(self, act: Callable[[Connection], object]) -> None:
        with self.database.writing() as conn:
            act(conn)

    def sign(self) -> None:
        with self.database.writing() as conn:
            assert proofs.sign(
                conn, self.proof, name="R. Hale", versions={"network": 3}, at_ms=9000
            )


@pytest.fixture(params=DIALECTS)
def bench(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Bench]:
    with database_of(request, tmp_path) as database:
        planted = plant(database)
        with database.writing() as conn:
            proof = proofs.begin(
                conn, planted.site_id, "commissioning", actor="opal", at_ms=1000, at_site="R. Hale"
            )
        yield Bench(planted, proof)


def test_a_step_is_kept_whole_and_in_its_order(bench: Bench) -> None:
    layout = bench.planted.layout
    told = replace(STEP, meaning=meaning_in(layout, layout.points[0]))
    bare = Step(9, "DOOR", StepKind.VERDICT, Phase.AS_LEFT, Result.NOT_TESTED, 6000, "opal")
    bench.write(lambda conn: proof_steps.add(conn, bench.proof.id, [told], at_ms=5000))
    bench.write(lambda conn: proof_steps.add(conn, bench.proof.id, [bare], at_ms=6000))
    with bench.database.reading() as conn:
        kept = proof_steps.of_proof(conn, bench.proof.id)
        assert proof_steps.of_proofs(conn, [bench.proof.id, 77])[77] == []
    assert kept == [told, replace(bare, n=2)]


def test_signing_seals_a_proof_with_its_steps_and_photographs(bench: Bench) -> None:
    number = bench.proof.id
    bench.write(lambda conn: proof_steps.add(conn, number, [STEP], at_ms=5000))
    bench.write(
        lambda conn: proof_photos.add(
            conn, number, name="Box", media="image/png", body=b"\x89", at_ms=5000, actor="opal"
        )
    )
    bench.sign()
    other = proofs.Proof(number, 1, "repair", 0, "x")
    step, photo, proof = schema.proof_step, schema.proof_photo, schema.proof
    row = {"proof_id": number, "name": "", "media": "", "at_ms": 0, "actor": "", "body": b""}
    acts: list[Callable[[Connection], object]] = [
        lambda conn: conn.execute(update(proof).values(note="better")),
        lambda conn: conn.execute(delete(proof)),
        lambda conn: conn.execute(update(step).values(shown=2.5)),
        lambda conn: conn.execute(delete(step)),
        lambda conn: proof_steps.add(conn, number, [STEP], at_ms=0),
        lambda conn: conn.execute(update(photo).values(name="Other")),
        lambda conn: conn.execute(delete(photo)),
        lambda conn: conn.execute(insert(photo).values(row)),
        lambda conn: proofs.put_detail(conn, other, "scan", {}, at_ms=0),
        lambda conn: proofs.put_said(conn, other, at_site="", at_base="", note="", at_ms=0),
    ]
    for act in acts:
        with pytest.raises(StorageError):
            bench.write(act)
    with bench.database.reading() as conn:
        kept = proofs.of_id(conn, number)
        assert kept is not None
        assert (kept.state, kept.signed_ms, kept.signed_name) == (proofs.SIGNED, 9000, "R. Hale")
        assert kept.versions == {"network": 3}
        assert proof_steps.of_proof(conn, number) == [STEP]
        assert proof_photos.count(conn, number) == 1
        assert [one.id for one in proofs.signed_of(conn, bench.planted.site_id)] == [number]


def test_only_an_open_proof_is_signed_or_left(bench: Bench) -> None:
    bench.sign()
    with bench.database.writing() as conn:
        assert not proofs.sign(conn, bench.proof, name="Other", versions={}, at_ms=9500)
        assert not proofs.leave(conn, bench.proof, at_ms=9500)
        assert proofs.open_of(conn, bench.planted.site_id) is None


def test_one_that_is_left_stays_and_is_not_open(bench: Bench) -> None:
    bench.write(lambda conn: proofs.leave(conn, bench.proof, at_ms=2000))
    with bench.database.reading() as conn:
        assert proofs.open_of(conn, bench.planted.site_id) is None
        assert [one.state for one in proofs.of_site(conn, bench.planted.site_id)] == ["left"]
        assert proofs.signed_of(conn, bench.planted.site_id) == []


def test_names_and_remarks_of_an_open_proof_may_be_put_right(bench: Bench) -> None:
    with bench.database.writing() as conn:
        proofs.put_said(
            conn, bench.proof, at_site="R. Hale", at_base="M. Okoro", note="Windy.", at_ms=2000
        )
        proofs.put_detail(conn, bench.proof, "instruments", "Calibrator 4", at_ms=2000)
        proofs.put_detail(conn, bench.proof, "scope", ["LVL"], at_ms=2000)
        kept = proofs.of_id(conn, bench.proof.id)
    assert kept is not None
    assert (kept.at_base, kept.note) == ("M. Okoro", "Windy.")
    assert kept.detail == {"instruments": "Calibrator 4", "scope": ["LVL"]}


def test_a_photograph_comes_back_byte_for_byte(bench: Bench) -> None:
    body = bytes(range(256)) * 100
    with bench.database.writing() as conn:
        kept = proof_photos.add(
            conn,
            bench.proof.id,
            name="Terminals",
            media="image/webp",
            body=body,
            at_ms=3000,
            actor="opal",
        )
        assert proof_photos.body(conn, kept.id) == body
        assert proof_photos.of_id(conn, kept.id) == kept
        assert proof_photos.of_proof(conn, bench.proof.id) == [kept]
        proof_photos.remove(conn, kept, at_ms=3000)
        assert proof_photos.of_id(conn, kept.id) is None


def test_it_is_found_since_when_a_point_is_read_otherwise(bench: Bench) -> None:
    layout = bench.planted.layout
    ids = tuple(point.point_id for point in layout.points)
    then = meaning_in(layout, layout.points[0])
    renamed = replace(layout, blocks=(*layout.blocks[:1], replace(layout.blocks[1], count=9)))
    rescaled = a_layout(bench.planted.site_id, ids, value=(0.0, 4.0))  # type: ignore[arg-type]
    with bench.database.writing() as conn:
        keep_layout(conn, renamed, 2000)
        keep_layout(conn, rescaled, 3000)
        site = bench.planted.site_id
        assert other_since(conn, site, "LVL", then, 1000) == 3000
        assert other_since(conn, site, "LVL", then, 3001) is None
        door = meaning_in(layout, layout.points[2])
        assert other_since(conn, site, "DOOR", door, 1000) is None
