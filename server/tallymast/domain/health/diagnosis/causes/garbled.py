"""Causes of answers that arrive, but wrong: two stations on one address, noise on the line."""

from tallymast.domain.health.comms.intervals import wilson
from tallymast.domain.health.diagnosis.evidence import Around, SiteEvidence
from tallymast.domain.health.diagnosis.garbled_clues import Garbled
from tallymast.domain.health.diagnosis.model import About, At, ChartOf, Diagnosis, Said, Shown
from tallymast.domain.health.diagnosis.registry import a_cause
from tallymast.domain.health.diagnosis.spoken import ELECTRIC, some
from tallymast.domain.health.nights import DAY_MS

_WAITS_MS = 4 * 3_600_000  # ours: then a poll every few minutes has told its share
_MOST = 0.5  # ours: of a mast's sites
_LEAST_SITES = 3
_COLLIDES = 0.35  # ours: two stations talk into each other nearly always, noise comes and goes
_DUPLICATE = "Two stations on one unit address"
_NOISE = "Noise on the serial line at the station"


@a_cause
def duplicate_address(one: SiteEvidence, around: Around) -> Diagnosis | None:
    """Name a second station on the same address: garbled from one hour on, at one site only."""
    garbled = _garbled(one)
    if garbled is None or _is_the_gateways(one, around):
        return None
    if garbled.late < _COLLIDES or not _is_clear(garbled, one.now_ms):
        return None
    return Diagnosis(
        cause="duplicate-address",
        title=_DUPLICATE,
        about=About.CONTACT,
        gateway_id=one.gateway_id,
        site_ids=(one.site_id,),
        since_ms=garbled.since_ms,
        score=min(garbled.evidence, 7.0),
        says=_says(garbled),
        advice=Said(
            "A second station on the same unit address, or noise at this one: switch this one off; "
            "what still answers is the other."
        ),
        decides=Said(
            "With this station's radio off, poll its address: an answer is the second station; "
            "silence means noise on this station's own serial line."
        ),
        chart=_chart(garbled),
        rests_on=_numbers(garbled),
        desk=(
            "What was put in service at that hour, here or on a bench in radio reach?",
            "Poll the address twenty times and look at the bytes.",
        ),
        bring=("address list of the mast", "serial adapter"),
        cautions=("Do not switch outputs while two stations may obey the same address.",),
        rivals=(_NOISE,),
    )


@a_cause
def station_noise(one: SiteEvidence, around: Around) -> Diagnosis | None:
    """Name noise on one station's serial line: some answers garbled, at one site only."""
    garbled = _garbled(one)
    if garbled is None or _is_the_gateways(one, around):
        return None
    if garbled.late >= _COLLIDES or not _is_clear(garbled, one.now_ms):
        return None
    return Diagnosis(
        cause="station-noise",
        title=_NOISE,
        about=About.CONTACT,
        gateway_id=one.gateway_id,
        site_ids=(one.site_id,),
        since_ms=garbled.since_ms,
        score=min(garbled.evidence, 6.0),
        says=_says(garbled),
        advice=Said(
            "Noise between radio and station: shield, ground, a new drive or pump beside it; or a "
            "second station that answers now and then."
        ),
        decides=Said(
            "Poll with the noisy machine off: clean answers accuse it; still garbled, unplug this "
            "station: an answer is a second station on its address."
        ),
        chart=_chart(garbled),
        rests_on=_numbers(garbled),
        desk=("Does it follow a pump or a drive? Compare with the running contact.",),
        bring=("shielded cable", "serial adapter", "ferrites"),
        cautions=ELECTRIC,
        rivals=(_DUPLICATE,),
    )


@a_cause
def gateway_serial(one: SiteEvidence, around: Around) -> Diagnosis | None:
    """Name the gateway's wiring: the answers of most of its sites come garbled."""
    garbled = _garbled(one)
    if garbled is None or not _is_the_gateways(one, around):
        return None
    hit = [other for other in around.behind(one.gateway_id) if _garbled(other) is not None]
    since_ms = min(clue.since_ms for other in hit if (clue := _garbled(other)) is not None)
    return Diagnosis(
        cause="gateway-serial",
        title="Serial wiring, ground or speed at the gateway",
        about=About.CONTACT,
        gateway_id=one.gateway_id,
        site_ids=(),
        since_ms=since_ms,
        score=min(3.0 + len(hit), 9.0),
        says=Said(f"answers of {some(len(hit), 'site')} come garbled since {{}}", At(since_ms)),
        advice=Said(
            "Most sites of one gateway garbled: its serial wiring, ground, speed or parity; no "
            "site's own."
        ),
        decides=Said(
            "The serial link between device server and radio at the mast: settings first, then "
            "cable, shield and ground."
        ),
        chart=ChartOf(Shown.GARBLED, since_ms - DAY_MS),
        desk=("Compare the device server's speed and parity with those written down.",),
        bring=("serial cable", "serial adapter"),
        cautions=ELECTRIC,
        touched=tuple(other.site_id for other in hit),
    )


# --- inside ---------------------------------------------------------------------------


def _garbled(one: SiteEvidence) -> Garbled | None:
    clues = one.health.clues.contact
    return clues.garbled if clues else None


def _is_clear(garbled: Garbled, now_ms: int) -> bool:
    """Whether the share says which of the two it is, or more waiting would tell little."""
    low, high = wilson(garbled.late * garbled.late_of, garbled.late_of, 0.8)
    return not low < _COLLIDES < high or now_ms - garbled.since_ms >= _WAITS_MS


def _is_the_gateways(one: SiteEvidence, around: Around) -> bool:
    sites = around.behind(one.gateway_id)
    hit = sum(_garbled(other) is not None for other in sites)
    return hit >= max(_LEAST_SITES, _MOST * len(sites))


def _says(garbled: Garbled) -> Said:
    return Said(
        f"{some(garbled.garbled, 'poll')} of {some(garbled.asked, 'poll')} ended garbled since "
        f"{{}}, "
        f"{garbled.before} of {some(garbled.before_asked, 'poll')} in the weeks before",
        At(garbled.since_ms),
    )


def _numbers(garbled: Garbled) -> tuple[Said, ...]:
    return (
        Said(f"{100 * garbled.late:.0f} % of polls since had no good answer at the first try."),
        Said("No such thing at the other sites of this gateway."),
    )


def _chart(garbled: Garbled) -> ChartOf:
    return ChartOf(
        Shown.GARBLED,
        garbled.since_ms - 2 * DAY_MS,
        marks=((garbled.since_ms, "garbled answers begin"),),
    )
