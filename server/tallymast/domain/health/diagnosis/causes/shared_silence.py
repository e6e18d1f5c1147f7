"""Causes of silence that several sites share: gateway, repeater, one direction, the whole mast."""

from collections.abc import Sequence

from tallymast.domain.health.comms.common import common_causes
from tallymast.domain.health.comms.model import CommonCause, Outage
from tallymast.domain.health.diagnosis.causes.silence import (
    carrier_is_silent,
    is_lost,
    of_supply,
    ran_down,
    supply_said,
)
from tallymast.domain.health.diagnosis.evidence import Around, SiteEvidence
from tallymast.domain.health.diagnosis.model import About, At, ChartOf, Diagnosis, Said, Shown
from tallymast.domain.health.diagnosis.registry import a_cause
from tallymast.domain.health.diagnosis.spoken import ELECTRIC, TOWER, direction, some
from tallymast.domain.health.nights import DAY_MS
from tallymast.domain.health.together import placed_site
from tallymast.domain.model import GatewayStatus

_MINUTE_MS = 60_000
_GATEWAY_HOLD_MS = _MINUTE_MS  # common practice, no published source


@a_cause
def gateway_lost(one: SiteEvidence, around: Around) -> Diagnosis | None:
    """Name the backhaul or the device server: the gateway accepts no connection."""
    moment = one.moment
    if moment.gateway is not GatewayStatus.UNREACHABLE or not _gateway_holds(one):
        return None
    sites = around.behind(one.gateway_id)
    return Diagnosis(
        cause="gateway-lost",
        title="Backhaul, or device server without power",
        about=About.CONTACT,
        gateway_id=one.gateway_id,
        site_ids=(),
        since_ms=moment.gateway_since_ms,
        score=7.0,
        says=Said(
            f"cannot be reached since {{}}; nothing is known of the {some(len(sites), 'site')} "
            "behind it",
            At(moment.gateway_since_ms),
        ),
        advice=Said("Backhaul or device server, no site's own: ask whether its router answers."),
        decides=Said(
            "The last router before the gateway: if it answers, the device server has no power or "
            "hangs; if it does not, the backhaul is down."
        ),
        chart=ChartOf(Shown.CONTACT, moment.gateway_since_ms - DAY_MS),
        rests_on=(Said("{}", moment.gateway_reason),) if moment.gateway_reason else (),
        desk=("Is the router at the mast reachable?", "Does anything else at the mast answer?"),
        bring=("spare device server", "its settings on paper"),
        cautions=ELECTRIC,
        touched=tuple(other.site_id for other in sites),
    )


@a_cause
def gateway_mute(one: SiteEvidence, around: Around) -> Diagnosis | None:
    """Name an old session or the mast's radio: connected, but no site behind it answers."""
    moment = one.moment
    if moment.gateway is not GatewayStatus.MUTE or not _gateway_holds(one):
        return None
    sites = around.behind(one.gateway_id)
    return Diagnosis(
        cause="gateway-mute",
        title="An old session holds the port, or the radio at the mast is silent",
        about=About.CONTACT,
        gateway_id=one.gateway_id,
        site_ids=(),
        since_ms=moment.gateway_since_ms,
        score=6.5,
        says=Said(
            f"accepts the connection since {{}}, but none of {some(len(sites), 'site')} answers",
            At(moment.gateway_since_ms),
        ),
        advice=Said(
            "An old session may hold the port: set its keep-alive to 30–60 s; else the mast's "
            "radio, its antenna or its supply."
        ),
        decides=Said(
            "Restart the device server from afar: answers again means an old session held the "
            "port; still silent means radio, antenna or the wiring between."
        ),
        chart=ChartOf(Shown.CONTACT, moment.gateway_since_ms - DAY_MS),
        desk=("List the device server's sessions and end the old one.", "Restart it from afar."),
        bring=("spare radio", "wattmeter", "serial cable"),
        cautions=TOWER,
        touched=tuple(other.site_id for other in sites),
    )


@a_cause
def repeater(one: SiteEvidence, around: Around) -> Diagnosis | None:
    """Name a silent repeater behind which nobody is heard: start there."""
    if not is_lost(one) or carrier_is_silent(one, around):
        return None
    behind = around.carried(one)
    silent = [other for other in behind if other.moment.is_silent]
    heard = [other for other in behind if _was_heard(other, one.moment.since_ms)]
    if not silent or heard:
        return None
    return Diagnosis(
        cause="repeater",
        title="The repeater: its supply, radio or antenna",
        about=About.CONTACT,
        gateway_id=one.gateway_id,
        site_ids=(one.site_id,),
        since_ms=one.moment.since_ms,
        score=7.0 + min(len(silent), 2),
        says=Said(
            f"silent with the {some(len(silent), 'site')} behind it since {{}}: one cause",
            At(one.moment.since_ms),
        ),
        advice=Said("At the repeater supply volts first, then its radio's reflected power."),
        decides=Said(
            "At the repeater: supply volts first, then forward and reflected power of its radio."
        ),
        chart=ChartOf(Shown.CONTACT, one.moment.since_ms - DAY_MS),
        rests_on=(Said(of_supply(one)), *supply_said(one)),
        desk=("Probe the sites behind it: one that answers clears the repeater.",),
        bring=("spare radio", "battery", "fuses", "wattmeter"),
        cautions=(*TOWER, *ELECTRIC),
        touched=tuple(other.site_id for other in behind),
    )


@a_cause
def silent_together(one: SiteEvidence, around: Around) -> Diagnosis | None:
    """Name what sites that fell silent together share: a direction, or the mast."""
    silent = [
        other
        for other in around.behind(one.gateway_id)
        if is_lost(other) and not carrier_is_silent(other, around)  # those are their repeater's
    ]
    if len(silent) < 3 or one is not min(silent, key=lambda other: other.site_id):
        return None  # asked once for a gateway
    causes = [cause for cause in _common(one, silent, around) if cause.kind != "path"]
    if not causes:
        return None
    cause = max(causes, key=lambda each: len(each.site_ids))
    return _of_mast(one, cause) if cause.kind == "gateway" else _of_direction(one, cause)


# --- inside -------------------------------------------------------------------------


def _common(one: SiteEvidence, silent: Sequence[SiteEvidence], around: Around) -> list[CommonCause]:
    sites = around.behind(one.gateway_id)
    ids = {other.site.key: other.site_id for other in sites}
    placed = [placed_site(other.site_id, other.site, other.gateway, ids) for other in sites]
    outages = {
        other.site_id: [
            Outage(
                other.site_id,
                other.moment.since_ms,
                None,
                other.moment.missed_in_row,
                other.moment.last_answer_ms,
            )
        ]
        for other in silent
        if not ran_down(other)
    }
    heard = {
        other.site_id: other.moment.last_answer_ms
        for other in sites
        if other.moment.last_answer_ms is not None
    }
    return common_causes(outages, placed, newest_answer_ms=heard)


def _of_direction(one: SiteEvidence, cause: CommonCause) -> Diagnosis:
    first, last = cause.bearing_deg or (0.0, 0.0)
    whither = direction((first + (last - first) % 360 / 2) % 360)
    count = len(cause.site_ids)
    return Diagnosis(
        cause="silent-direction",
        title=f"What the sites to the {whither} share: a power feeder, weather or a mast antenna",
        about=About.CONTACT,
        gateway_id=one.gateway_id,
        site_ids=tuple(sorted(cause.site_ids)),
        since_ms=cause.from_ms,
        score=min(4.5 + count, 9.0),
        says=Said(
            f"{some(count, 'site')} to the {whither} fell silent together about {{}}; nobody is "
            "heard from there",
            At(cause.from_ms),
        ),
        advice=Said(
            "One cause in one direction: power feeder, storm cell, or a mast antenna that looks "
            "there; ask about power and weather first."
        ),
        decides=Said(
            "Power in the area: out is the feeder; there, and the storm over, it is the mast's "
            "antenna to that side."
        ),
        chart=ChartOf(Shown.CONTACT, cause.from_ms - DAY_MS),
        rests_on=(Said(f"They lie at {first:.0f}° to {last:.0f}° from the mast."),),
        desk=("Ask the power company about that area.", "Look at the weather radar."),
        bring=("wattmeter", "connectors"),
        cautions=TOWER,
    )


def _of_mast(one: SiteEvidence, cause: CommonCause) -> Diagnosis:
    count = len(cause.site_ids)
    return Diagnosis(
        cause="silent-mast",
        title="Radio, antenna or feedline at the mast, or power of the area",
        about=About.CONTACT,
        gateway_id=one.gateway_id,
        site_ids=(),
        since_ms=cause.from_ms,
        score=min(5.0 + count, 9.0),
        says=Said(
            f"{some(count, 'site')} of it fell silent together about {{}}, in several directions",
            At(cause.from_ms),
        ),
        advice=Said("Most of one mast at once: start at the mast, no site's own."),
        decides=Said(
            "Forward and reflected power at the mast's radio; before that, whether power is out "
            "in the area."
        ),
        chart=ChartOf(Shown.CONTACT, cause.from_ms - DAY_MS),
        desk=("Who is still heard, and how far is it?", "Is power out in the area?"),
        bring=("spare radio", "wattmeter", "connectors"),
        cautions=TOWER,
        touched=cause.site_ids,
    )


def _gateway_holds(one: SiteEvidence) -> bool:
    return one.now_ms - one.moment.gateway_since_ms >= _GATEWAY_HOLD_MS


def _was_heard(one: SiteEvidence, since_ms: int) -> bool:
    heard_ms = one.moment.last_answer_ms
    return not one.moment.is_silent and heard_ms is not None and heard_ms > since_ms
