"""What a site's page says of its season, and whether its checklist before return is due."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta, tzinfo
from typing import Final

from sqlalchemy import Connection

from tallymast.domain.life.checklist import checks_of
from tallymast.domain.life.seasons import CHECK_BEFORE, NAMED_BEFORE, midnight_ms, span_at
from tallymast.domain.local_times import local_time
from tallymast.domain.model import Act, SitePlan
from tallymast.domain.zones import find_zone
from tallymast.routes.api.acts import drops
from tallymast.routes.formats import plural
from tallymast.routes.life.typed import day_words
from tallymast.routes.services import Services
from tallymast.storage import episodes, proofs, returns
from tallymast.storage.episodes import Episode
from tallymast.storage.proofs import Proof

_DAY_MS: Final = 86_400_000
_LONG_MS: Final = 14 * _DAY_MS  # ours: not polled for so long, a site is made ready to come back
_STILL_MS: Final = 30 * _DAY_MS  # ours: so long after its return an unsigned list is asked for


@dataclass(frozen=True, slots=True)
class SeasonLine:
    """What is said of a site's season.

    Attributes:
        words: sentences; empty where there is nothing to say.
        drops: outputs that will drop when polling ends, to be named before.
        check_due: whether the checklist before return is to be gone through now.
        check_words: how far it is.

    """

    words: str
    drops: tuple[str, ...] = ()
    check_due: bool = False
    check_words: str = ""


@dataclass(frozen=True, slots=True)
class _Break:
    """A time without polling: whether it is a season, its first day and the day back."""

    is_season: bool
    from_ms: int
    until_ms: int
    back: date


def season_line(connection: Connection, given: Services, plan: SitePlan) -> SeasonLine:
    """Return what a site's page says of its season now."""
    now_ms, zone = given.now_ms(), find_zone(given.network().time_zone)
    acts = [one for one in episodes.open_acts(connection) if one.site_id == plan.site_id]
    span = _break(plan, acts, now_ms, zone)
    if span is None or span.from_ms - now_ms > NAMED_BEFORE // timedelta(milliseconds=1):
        return SeasonLine("")
    if now_ms < span.from_ms:
        begin = day_words(local_time(span.from_ms, zone).date())
        return SeasonLine(
            f"Out of season from {begin} to {day_words(span.back)}: polling ends by itself then.",
            tuple(drops(plan)),
        )
    check_from = span.back - CHECK_BEFORE
    due = now_ms >= midnight_ms(check_from, zone)
    proof = _since(returns.newest(connection, plan.site_id), midnight_ms(check_from, zone))
    is_signed = proof is not None and proof.state == proofs.SIGNED
    said = _said(span, acts, now_ms)
    if due:
        checked = _checked(plan, proof)
        if is_signed and now_ms >= span.until_ms:
            return SeasonLine("")
        return SeasonLine(said, (), not is_signed, checked)
    listed = f"return-to-service checklist from {day_words(check_from)}."
    return SeasonLine(f"{said.removesuffix('.')}, {listed}")


def _break(plan: SitePlan, acts: Sequence[Episode], now_ms: int, zone: tzinfo) -> _Break | None:
    """Return the time without polling that holds, was over lately, or comes next."""
    if plan.site.season is not None:
        span = span_at(plan.site.season, now_ms - _STILL_MS, zone)
        if not (span.holds(now_ms) or now_ms < span.from_ms) and now_ms >= span.until_ms:
            later = span_at(plan.site.season, now_ms, zone)
            span = later if later.from_ms - now_ms < _STILL_MS else span
        return _Break(True, span.from_ms, span.until_ms, span.back)
    for act in acts:
        end_ms = act.planned_end_ms
        if act.kind == Act.NOT_POLLED.value and end_ms and end_ms - act.from_ms >= _LONG_MS:
            return _Break(False, act.from_ms, end_ms, local_time(end_ms, zone).date())
    return None


def _said(span: _Break, acts: Sequence[Episode], now_ms: int) -> str:
    back = day_words(span.back)
    if now_ms >= span.until_ms:
        return f"Back from its season since {back}; its return-to-service checklist is not signed."
    if not span.is_season:
        return f"Not polled until {back}."
    if not any(one.kind == Act.NOT_POLLED.value for one in acts):
        return f"Its season is out until {back}, but it is polled: somebody had it polled again."
    return f"Out of season until {back}."


def _since(proof: Proof | None, from_ms: int) -> Proof | None:
    """Return a checklist of this return, not of the one a year ago."""
    if proof is None or proof.began_ms < from_ms:
        return None
    return proof


def _checked(plan: SitePlan, proof: Proof | None) -> str:
    done, whole = len(returns.checks(proof)), len(checks_of(plan.site))
    if proof is not None and proof.state == proofs.SIGNED:
        return f"Return-to-service checklist signed by {proof.signed_name}."
    return f"Return-to-service checklist: {done} of {plural(whole, 'check')} looked at."
