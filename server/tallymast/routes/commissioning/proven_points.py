"""What of a site is proven, read from the database, and in one calm line for the site's page."""

from dataclasses import dataclass, replace

from sqlalchemy import Connection

from tallymast.domain.commissioning.proven import Proven, Signed, Station, proven_points
from tallymast.domain.commissioning.steps import Step, meaning_of
from tallymast.domain.model import SitePlan
from tallymast.routes.formats import Clock, lasting, plural
from tallymast.routes.services import Services
from tallymast.storage import hardware, proof_steps, proofs
from tallymast.storage.proof_since import other_since
from tallymast.storage.proofs import Proof

NAMED = 4  # ours: so many points that are not proven are named in the line


@dataclass(frozen=True, slots=True)
class ProvenSite:
    """What of a site is proven.

    Attributes:
        points: one a point, in the network file's order.
        proofs: every proof there was, the newest first.

    """

    points: tuple[Proven, ...]
    proofs: tuple[Proof, ...]

    @property
    def lacking(self) -> tuple[Proven, ...]:
        """The points that are not proven."""
        return tuple(one for one in self.points if not one.is_proven)

    @property
    def open(self) -> Proof | None:
        """The proof that goes on, if any."""
        return next((one for one in self.proofs if one.state == proofs.OPEN), None)

    @property
    def signed(self) -> tuple[Proof, ...]:
        """Those that were signed."""
        return tuple(one for one in self.proofs if one.state == proofs.SIGNED)


@dataclass(frozen=True, slots=True)
class ProvenLine:
    """The line on a site's page; ``open_ms`` is since when a check-out goes on."""

    words: str
    is_quiet: bool
    open_ms: int | None


def read_proven(given: Services, plan: SitePlan) -> ProvenSite:
    """Return what of a site is proven, with since when a changed point is read otherwise."""
    now_ms = given.now_ms()
    with given.database.reading() as connection:
        known = proofs.of_site(connection, plan.site_id)
        signed = [one for one in known if one.state == proofs.SIGNED]
        steps = proof_steps.of_proofs(connection, [one.id for one in signed])
        station = hardware.station_of(connection, plan.site_id)
        points = proven_points(
            [(point, meaning_of(point)) for point in plan.site.points],
            [_signed(one, tuple(steps[one.id])) for one in signed],
            Station(station.id, station.from_ms) if station is not None else None,
        )
        dated = tuple(_dated(connection, plan, one, now_ms) for one in points)
    return ProvenSite(dated, tuple(known))


def _signed(proof: Proof, steps: tuple[Step, ...]) -> Signed:
    made_ms = proof.made_ms or proof.signed_ms or proof.began_ms
    return Signed(proof.id, made_ms, proof.signed_name, proof.part_id, steps)


def _dated(connection: Connection, plan: SitePlan, one: Proven, now_ms: int) -> Proven:
    """Return a point's standing, with how long it has been read in another way."""
    if one.then is None or one.at_ms is None:
        return one
    since_ms = other_since(connection, plan.site_id, one.tag, one.then, one.at_ms)
    if since_ms is None:
        return one
    return replace(one, why=f"{one.why} {lasting(now_ms - since_ms)}")


def proven_line(given: Services, plan: SitePlan, clock: Clock) -> ProvenLine:
    """Return what a site's page says of its proofs."""
    site = read_proven(given, plan)
    open_ms = site.open.began_ms if site.open else None
    if not site.signed:
        return ProvenLine("No commissioning record is kept here.", True, open_ms)
    if site.lacking:
        return ProvenLine(f"Not proven: {lacking_words(site)}.", False, open_ms)
    days = sorted({one.at_ms or 0 for one in site.points})
    count = plural(len(site.points), "point")
    if len({clock.day(one) for one in days}) <= 1 and days:
        return ProvenLine(f"All {count} proven on {clock.day(days[0])}.", True, open_ms)
    last = clock.day(days[-1]) if days else ""
    return ProvenLine(f"All {count} proven, the last on {last}.", True, open_ms)


def lacking_words(site: ProvenSite) -> str:
    """Return which points are not proven and why, ``LVL (rescaled since 3 days), …``."""
    words = [f"{one.tag} ({one.why})" for one in site.lacking[:NAMED]]
    more = len(site.lacking) - NAMED
    return ", ".join(words) + (f" and {more} more" if more > 0 else "")
