"""One station that is silent, and what its last reading says of its battery."""

from tallymast.domain.health.comms.model import Cause
from tallymast.domain.health.diagnosis.evidence import Around, SiteEvidence
from tallymast.domain.health.diagnosis.model import About, At, ChartOf, Diagnosis, Said, Shown
from tallymast.domain.health.diagnosis.registry import a_cause
from tallymast.domain.health.diagnosis.spoken import ELECTRIC, TOWER, clock, some
from tallymast.domain.health.nights import DAY_MS
from tallymast.domain.health.supply.limits import limits_of, packs_of
from tallymast.domain.health.supply.model import Verdict
from tallymast.domain.health.supply.ruled_out import is_not_the_battery
from tallymast.domain.model import Chemistry, GatewayStatus, Supply, SupplyKind

_MINUTE_MS = 60_000
_SITE_HOLD_MS = 3 * _MINUTE_MS  # ours: a passing truck takes two
_RESTLESS_HOLD_MS = 20 * _MINUTE_MS  # ours: where polls got lost just before, some more is no news
_RESTLESS = 0.1  # ours: share of polls late in the hours before
_LEAST_POLLS = 100
_NEAR_V = 0.5  # ours, of 12 V: what a battery near its end loses from one poll to the next
_NOT_ASKED = frozenset({GatewayStatus.UNREACHABLE, GatewayStatus.MUTE})


@a_cause
def silent_alone(one: SiteEvidence, around: Around) -> Diagnosis | None:
    """Name what keeps one station silent; what its supply explains is left to the supply."""
    if not is_lost(one) or carrier_is_silent(one, around) or ran_down(one):
        return None
    lasts_min = (one.now_ms - one.moment.since_ms) / _MINUTE_MS
    clues, comm = one.health.clues.contact, one.health.comm
    weak = clues is not None and clues.signal is not None and clues.signal.step is not None
    habit = comm.returns if comm else None
    if clues is not None and clues.garbled is not None:
        return None  # it answers, but wrong
    score = min(3.0 + lasts_min / 20.0, 6.5)
    return Diagnosis(
        cause="silent",
        title="No power at the station, its radio or its antenna",
        about=About.CONTACT,
        gateway_id=one.gateway_id,
        site_ids=(one.site_id,),
        since_ms=one.moment.since_ms,
        score=min(score, 2.0) if weak or habit is not None else score,
        says=Said(
            f"silent since {{}}, {some(one.moment.missed_in_row, 'poll')} missed in a row; "
            "nobody else fell silent with it",
            At(one.moment.since_ms),
        ),
        advice=Said("Fuse, connection, radio or antenna: supply volts at the radio decide."),
        decides=Said(
            "Volts at the radio: none is fuse, connection or controller; there, it is radio or "
            "antenna. If it comes back by itself with a higher restart counter, it had no power."
        ),
        chart=ChartOf(
            Shown.CONTACT,
            one.moment.since_ms - DAY_MS,
            marks=((one.moment.since_ms, "silent"),),
        ),
        rests_on=(
            Said(of_supply(one)),
            *supply_said(one),
            *(
                (Said(f"Falls silent every day about {clock(habit.off_minute)}."),)
                if habit is not None
                else ()
            ),
        ),
        desk=("Twenty polls now.", "Is somebody working there, or is power out in the area?"),
        bring=("fuses", "spare radio", "multimeter", "wattmeter"),
        cautions=(*ELECTRIC, *TOWER),
    )


# --- what one site's moment says ------------------------------------------------------


def is_lost(one: SiteEvidence) -> bool:
    """Whether a site that used to answer does not, while its gateway does."""
    moment, clues = one.moment, one.health.clues.contact
    if not moment.is_silent or moment.gateway in _NOT_ASKED or moment.last_answer_ms is None:
        return False
    if clues is None or clues.polls < _LEAST_POLLS:
        return False
    if moment.last_answer_ms > moment.since_ms:
        return False  # it is back, and not trusted yet
    late, asked = (max(count - moment.missed_in_row, 0) for count in clues.newest)
    restless = late >= 3 and late >= _RESTLESS * asked
    hold_ms = _RESTLESS_HOLD_MS if restless else _SITE_HOLD_MS
    return one.now_ms - moment.since_ms >= hold_ms


def carrier_is_silent(one: SiteEvidence, around: Around) -> bool:
    """Whether a repeater on the way to a site is silent itself."""
    return any(carrier.moment.is_silent for carrier in around.carriers(one))


def ran_down(one: SiteEvidence) -> bool:
    """Whether the supply explains the silence: it was near its disconnect, or is dark by habit."""
    supply, health, comm = one.site.supply, one.health.supply, one.health.comm
    if health is not None and health.verdict is Verdict.DARK_AT_NIGHT:
        return True
    last = comm.outages[-1] if comm and comm.outages else None
    if last is not None and last.to_ms is None and last.cause is Cause.SUPPLY:
        return True
    volts = one.moment.supply_v
    return supply is not None and volts is not None and _is_near_its_end(supply, volts)


def _is_near_its_end(supply: Supply, volts: float) -> bool:
    limits = limits_of(supply)
    if limits is None or supply.kind is SupplyKind.MAINS:
        return False
    return volts <= limits.disconnect_v + _NEAR_V * packs_of(supply)


def of_supply(one: SiteEvidence) -> str:
    """Say what the last supply reading clears or accuses."""
    volts, supply = one.moment.supply_v, one.site.supply
    if volts is None:
        return "No supply reading: power, radio and antenna are all open."
    if is_not_the_battery(supply, volts):
        return f"Its last supply reading was {volts:.1f} V: not the battery."
    if supply is not None and supply.chemistry is Chemistry.LIFEPO4:
        return f"Its last supply reading was {volts:.1f} V, which says little of lithium."
    return f"Its last supply reading was {volts:.1f} V: the battery is not cleared."


def supply_said(one: SiteEvidence) -> list[Said]:
    """Say the last supply reading with its time."""
    volts, at_ms = one.moment.supply_v, one.moment.supply_ms
    if volts is None or at_ms is None:
        return []
    return [Said(f"Last supply reading {volts:.1f} V, {{}}.", At(at_ms))]
