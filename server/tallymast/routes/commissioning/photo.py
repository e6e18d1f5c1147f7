"""Photographs of a proof: what they are is told by their bytes, not by their names."""

from typing import Annotated, Final

from fastapi import APIRouter, File, Form, Response, UploadFile
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import RedirectResponse

from tallymast.domain.commissioning.pictures import LARGEST, media_of
from tallymast.domain.people import plain
from tallymast.routes.commissioning.check_out import still_open, tell_of
from tallymast.routes.commissioning.proof_record import the_proof
from tallymast.routes.problems import Problem
from tallymast.routes.services import Given, Services
from tallymast.routes.who import Person, ThePerson
from tallymast.storage import proof_photos
from tallymast.storage.proof_photos import Photo

router = APIRouter(include_in_schema=False)

CAPTION: Final = 120


@router.post("/commissioning/photos/{number}")
async def add_photo(
    number: int,
    given: Given,
    person: ThePerson,
    photo: Annotated[UploadFile, File()],
    caption: Annotated[str, Form(max_length=400)] = "",
) -> Response:
    """Keep a photograph of a proof that goes on."""
    body = await photo.read(LARGEST + 1)
    await run_in_threadpool(_keep, given, person, number, plain(caption, CAPTION), body)
    return RedirectResponse(f"/proofs/{number}#photos-title", 303)


def _keep(given: Services, person: Person, number: int, caption: str, body: bytes) -> None:
    plan, proof = the_proof(given, number)
    media = media_of(body)
    if len(body) > LARGEST:
        raise Problem(413, "A photograph may have 4 MB; make it smaller. Nothing was kept.")
    if media is None:
        raise Problem(
            422, "This is no JPEG, PNG or WebP picture, whatever its name says. Nothing was kept."
        )
    if len(caption) < 3:
        raise Problem(422, "Write what the photograph shows; whoever cannot see it reads that.")
    with given.database.writing() as connection:
        proof = still_open(connection, proof)
        if proof_photos.count(connection, number) >= proof_photos.MOST:
            raise Problem(409, f"A proof has {proof_photos.MOST} photographs at most.")
        proof_photos.add(
            connection,
            number,
            name=caption,
            media=media,
            body=body,
            at_ms=given.now_ms(),
            actor=person.name,
        )
        tell_of(connection, given, person, plan, "proof.photo", {"n": number})


@router.get("/commissioning/photos/{number}")
def one_photo(number: int, given: Given) -> Response:
    """Answer a photograph's bytes, under what they are."""
    photo = _the_photo(given, number)
    with given.database.reading() as connection:
        body = proof_photos.body(connection, photo.id)
    kind = photo.media.partition("/")[2]
    headers = {
        "Content-Disposition": f'inline; filename="photo-{photo.id}.{kind}"',
        "Cache-Control": "private, max-age=3600",
        "X-Content-Type-Options": "nosniff",
    }
    return Response(body, media_type=photo.media, headers=headers)


@router.post("/commissioning/photos/{number}/remove")
def remove_photo(number: int, given: Given, person: ThePerson) -> Response:
    """Forget a photograph of a proof that goes on."""
    photo = _the_photo(given, number)
    plan, proof = the_proof(given, photo.proof_id)
    with given.database.writing() as connection:
        still_open(connection, proof)
        proof_photos.remove(connection, photo, at_ms=given.now_ms())
        tell_of(connection, given, person, plan, "proof.unphoto", {"n": proof.id})
    return RedirectResponse(f"/proofs/{proof.id}#photos-title", 303)


def _the_photo(given: Services, number: int) -> Photo:
    with given.database.reading() as connection:
        found = proof_photos.of_id(connection, number) if 0 < number < 2**63 else None
    if found is None:
        raise Problem(404, f"There is no photograph {number}.")
    return found
