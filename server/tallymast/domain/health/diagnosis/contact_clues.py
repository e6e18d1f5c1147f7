"""What a site's contact and signal tell of a cause."""

from dataclasses import dataclass
from datetime import tzinfo
from typing import Final

from tallymast.domain.health.comms.model import CommHealth
from tallymast.domain.health.diagnosis.garbled_clues import Garbled, garbled_of
from tallymast.domain.health.diagnosis.loss_clues import loss_of
from tallymast.domain.health.diagnosis.lost_hours import Loss
from tallymast.domain.health.diagnosis.signal_clues import SignalClues, signal_clues, signal_hours
from tallymast.domain.health.record import ContactHours, SiteRecord
from tallymast.domain.model import Site
from tallymast.domain.record.rollups import HOUR_MS

LEAST_DAYS: Final = 7.0  # common practice, no published source
LEAST_POLLS: Final = 100  # likewise


@dataclass(frozen=True, slots=True)
class ContactClues:
    """Clues from polls and signal.

    Attributes:
        days: of record.
        polls: asked in them.
        loss: polls that get lost and did not before.
        signal: None where no point reports it.
        garbled: answers that come garbled.
        spoiled: share of the polls missed in the last week that were garbled, not silent.
        newest: of the newest two clock hours, the open one too: polls late, polls asked.

    """

    days: float = 0.0
    polls: int = 0
    loss: Loss | None = None
    signal: SignalClues | None = None
    garbled: Garbled | None = None
    newest: tuple[int, int] = (0, 0)
    spoiled: float = 0.0


def contact_clues(
    site: Site, record: SiteRecord, comm: CommHealth, *, now_ms: int, zone: tzinfo
) -> ContactClues | None:
    """Return what contact and signal tell, None where nobody asked the site."""
    contact = record.contact
    if contact is None or not len(contact.at_ms):
        return None
    polls = int(contact.cells[:, 0].sum())
    garbled = garbled_of(contact, now_ms) if polls >= LEAST_POLLS else None
    if comm.days < LEAST_DAYS or polls < LEAST_POLLS:
        return ContactClues(comm.days, polls, garbled=garbled, newest=_newest(contact, now_ms))
    hours = signal_hours(site, record, now_ms)
    return ContactClues(
        comm.days,
        polls,
        loss_of(contact, comm.change, comm.outages, hours, now_ms=now_ms, zone=zone),
        None if hours is None else signal_clues(site, record, hours, comm.signal, now_ms),
        garbled,
        _newest(contact, now_ms),
        _spoiled(contact, now_ms),
    )


def _spoiled(contact: ContactHours, now_ms: int) -> float:
    begin_ms = now_ms - 7 * 24 * HOUR_MS
    missed = int(contact.cells[contact.at_ms >= begin_ms, 2].sum())
    garbled = sum(n for hour, n in contact.garbled.items() if hour >= begin_ms)
    return garbled / missed if missed else 0.0


def _newest(contact: ContactHours, now_ms: int) -> tuple[int, int]:
    cells = contact.cells[contact.at_ms > now_ms - 2 * HOUR_MS]
    asked, first_try = int(cells[:, 0].sum()), int(cells[:, 1].sum())
    return asked - first_try, asked
