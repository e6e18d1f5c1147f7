"""What of a site is proven, by its points as they are now and what was signed."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from tallymast.domain.commissioning.steps import Meaning, Result, Step, StepKind, changed
from tallymast.domain.model import Point


@dataclass(frozen=True, slots=True)
class Signed:
    """A signed proof, as far as it says something of points.

    Attributes:
        made_ms: when the proving was done, whenever it was entered or signed.
        part_id: the station that was there; None: not known.

    """

    id: int
    made_ms: int
    by: str
    part_id: int | None
    steps: tuple[Step, ...]


@dataclass(frozen=True, slots=True)
class Station:
    """The station that is at a site now, in the hardware register, and since when."""

    id: int
    from_ms: int


@dataclass(frozen=True, slots=True)
class Proven:
    """Whether one point is proven.

    Attributes:
        why: why not, in a few words; empty where it is.
        by: who proved it, or tried last.
        at_ms: when; None: never.
        proof_id: where it is written.
        then: how the point was read then, where that is another way now.

    """

    tag: str
    is_proven: bool
    why: str = ""
    by: str = ""
    at_ms: int | None = None
    proof_id: int | None = None
    then: Meaning | None = None


def proven_points(
    points: Iterable[tuple[Point, Meaning]], signed: Sequence[Signed], station: Station | None
) -> tuple[Proven, ...]:
    """Return for each point whether it is proven, and why not.

    The newest proof that passed or failed a point decides; one that left it out, or said ``not
    tested``, takes nothing away from an older one.

    Args:
        points: the site's points with how each is read now.
        signed: its signed proofs.
        station: what is there now; None: none is kept.

    """
    newest_first = sorted(signed, key=lambda one: (one.made_ms, one.id), reverse=True)
    verdicts = [(proof, verdicts_of(proof.steps)) for proof in newest_first]
    return tuple(_of_point(point, now, verdicts, station) for point, now in points)


def verdicts_of(steps: Iterable[Step]) -> dict[str, Step]:
    """Return the last word said of each point; as left comes after as found."""
    said = [step for step in steps if step.kind is StepKind.VERDICT]
    return {step.tag: step for step in sorted(said, key=lambda step: step.n)}


def _of_point(
    point: Point,
    now: Meaning,
    verdicts: Sequence[tuple[Signed, Mapping[str, Step]]],
    station: Station | None,
) -> Proven:
    told = [(proof, of[point.tag]) for proof, of in verdicts if point.tag in of]
    judged = [one for one in told if one[1].result is not Result.NOT_TESTED]
    if not judged:
        return _never(point.tag, told)
    proof, step = judged[0]
    why = _why(proof, step, now, station)
    then = step.meaning if why and step.meaning not in (None, now) else None
    return Proven(point.tag, not why, why, proof.by, proof.made_ms, proof.id, then)


def _never(tag: str, told: Sequence[tuple[Signed, Step]]) -> Proven:
    if not told:
        return Proven(tag, False, "never tested")
    proof, step = told[0]
    why = f"not tested: {step.note}" if step.note else "not tested"
    return Proven(tag, False, why, proof.by, proof.made_ms, proof.id)


def _why(proof: Signed, step: Step, now: Meaning, station: Station | None) -> str:
    if step.result is Result.FAIL:
        return "failed"
    if station is not None and station.id != proof.part_id:
        if proof.part_id is not None:
            return "station replaced since"
        if station.from_ms > proof.made_ms:  # what was there before is not known
            return "another station entered since"
    return f"{other} since" if step.meaning and (other := changed(step.meaning, now)) else ""
