"""What a site's supply is like, in plain sentences: what was seen, how long, what comes of it.

A forecast is a range of days, never a day and an hour; every figure has its unit and says how
many nights it rests on.
"""

import math
from collections.abc import Callable
from datetime import UTC, datetime

from markupsafe import Markup

from tallymast.domain.health.supply.model import Forecast, SupplyHealth, Verdict
from tallymast.domain.local_times import local_time
from tallymast.domain.model import Chemistry, Site, SupplyKind
from tallymast.routes.formats import MINUS, Clock, number, plural

_FAR_DAYS = 30  # Ours: beyond it weather decides, not the battery
_DAY_MS = 86_400_000
_SAME_DAYS_MS = 2.5 * _DAY_MS  # Ours: absorption so lately reached is a normal charge peak

Words = Callable[[Site, SupplyHealth, Clock], str | Markup]


def supply_sentence(site: Site, health: SupplyHealth, clock: Clock) -> Markup | None:
    """Return the sentence of a finding; None where there is nothing to do or to wait for.

    Args:
        site: whose supply it is; its name links to its page.
        health: as judged.
        clock: says what time it is now.

    """
    said = _FINDINGS.get(health.verdict)
    if said is None:
        return None
    name = Markup('<a href="/sites/{}"><strong>{}</strong></a>').format(site.key, site.name)
    joint = "" if health.verdict is Verdict.DARK_AT_NIGHT else ":"
    return Markup("{}{} {}").format(name, joint, said(site, health, clock))


def supply_words(site: Site, health: SupplyHealth, clock: Clock) -> Markup:
    """Return what was looked at and found, for the site's own pages; every verdict has words."""
    said = (_FINDINGS.get(health.verdict) or _CALM[health.verdict])(site, health, clock)
    text = Markup("{}").format(said)
    text = text[:1].upper() + text[1:]
    looked = _looked_at(health)
    return Markup("{} {}").format(text, looked) if looked else text


def disconnect_words(forecast: Forecast, now_ms: int) -> str:
    """Return ``load disconnect (11.5 V) in 5 to 8 days``; days count from now."""
    passed = (now_ms - forecast.at_ms) / _DAY_MS
    low = max(forecast.low_days - passed, 0.0)
    high = None if forecast.high_days is None else max(forecast.high_days - passed, 0.0)
    few = f", from {plural(forecast.nights, 'night')} only" if forecast.wide else ""
    return f"load disconnect ({_volts(forecast.disconnect_v)}) {_in_days(low, high)}{few}"


def _in_days(low: float, high: float | None) -> str:
    first = math.floor(low)
    if first >= _FAR_DAYS:
        return f"in more than {_FAR_DAYS} days"
    if high is None or high > _FAR_DAYS:
        return f"not within {first} days" if first >= 2 else "perhaps within days, perhaps never"
    last = math.ceil(high)
    if last <= 1:
        return "within a day"
    if first == 0:
        return f"within {last} days"
    return f"in {first} to {max(last, first + 1)} days"


# --- findings ------------------------------------------------------------------------------


def _not_charging(site: Site, health: SupplyHealth, clock: Clock) -> str:
    lost = "charger or mains lost" if _is_floated(site) else "no charge"
    if health.charged_ms is None:
        seen = f"{lost}, none in the {plural(health.nights, 'night')} looked at"
        seen = seen if not _is_floated(site) else f"{lost} all through {_nights(health)}"
    else:
        days = max(_days_between(health.charged_ms, clock), 1)
        seen = f"{lost} for {plural(days, 'day')}"
    return f"{seen}{_predawn(health)}{_then(health, clock)}."


def _declining(site: Site, health: SupplyHealth, clock: Clock) -> str:
    kind = None if site.supply is None else site.supply.kind
    volts = _known(health.predawn_v)
    if kind is SupplyKind.MAINS:
        return f"supply {volts} before dawn, lower than mains usually hold it ({_nights(health)})."
    if kind is SupplyKind.PRIMARY:
        return (
            f"pre-dawn {volts}, lower than ever in {_nights(health)}; "
            "a primary pack gives little warning before it is empty."
        )
    if health.trend is not None and health.trend.falls:
        falls = number(abs(health.trend.per_day_v), 2).replace(MINUS, "")
        over = plural(health.trend.nights, "night")
        seen = f"charged too little, pre-dawn {volts} and falling {falls}\u00a0V a day over {over}"
    else:
        seen = f"pre-dawn {volts}, low for its battery ({_nights(health)})"
    return f"{seen}{_then(health, clock)}."


def _overcharging(site: Site, health: SupplyHealth, clock: Clock) -> str:
    del site, clock
    peak = "" if health.peak_v is None else f" up to {_volts(health.peak_v)}"
    return (
        f"charged{peak} for 2 days running, more than its battery stands at any "
        "temperature of the season; the charge controller and its sensor decide."
    )


def _ageing(site: Site, health: SupplyHealth, clock: Clock) -> str:
    del site, clock
    sag = ""
    if health.sag_grows and health.sag_v is not None:
        sag = f", and under load it now sags by {_volts(health.sag_v)}"
    return (
        f"battery is ageing: pre-dawn {_known(health.predawn_v)} although it is charged{sag} "
        f"({_nights(health)}).{_age(health)}"
    )


def _dark_at_night(site: Site, health: SupplyHealth, clock: Clock) -> str:
    del site
    dark = health.dark
    if dark is None:
        return f"loses its power at night ({_nights(health)})."
    half_hours = round(dark.off_minute / 30) % 48
    at = f"{half_hours // 2:02d}:{half_hours % 2 * 30:02d}"
    is_full = health.absorbed_ms is not None and clock.now_ms - health.absorbed_ms <= _SAME_DAYS_MS
    peak = "; charge peak is normal" if is_full else ""
    return (
        f"goes dark about {at} and {_returns(dark.back_after_sunrise_min)}, "
        f"{plural(dark.nights, 'night')} running{peak}.{_age(health)}"
    )


def _returns(minutes: int) -> str:
    if minutes <= 0:
        return "has not returned yet"
    if minutes <= 60:
        return "returns within an hour of sunrise"
    return f"returns within {math.ceil(minutes / 60)} hours of sunrise"


def _stuck(site: Site, health: SupplyHealth, clock: Clock) -> str:
    del site, clock
    return (
        f"supply reads {_known(health.predawn_v, 2)} without moving, day and night "
        f"({_nights(health)}); a battery on the sun moves every day: the input or its wiring."
    )


def _few_nights(site: Site, health: SupplyHealth, clock: Clock) -> str:
    del site, clock
    return f"{plural(health.nights, 'night')} only, no supply trend yet."


# --- the calm ones -------------------------------------------------------------------------


def _steady(site: Site, health: SupplyHealth, clock: Clock) -> Markup:
    if _is_floated(site) or (site.supply is not None and site.supply.kind is SupplyKind.MAINS):
        return Markup("steady: mains hold it at {}.").format(_known(health.predawn_v))
    return Markup("steady: pre-dawn {}{}.").format(
        _known(health.predawn_v), _last_full(health, clock)
    )


def _tells_little(site: Site, health: SupplyHealth, clock: Clock) -> Markup:
    supply = site.supply
    if supply is not None and supply.kind is SupplyKind.PRIMARY:
        why = "a primary pack stays flat until it is nearly empty"
    elif supply is not None and supply.chemistry is Chemistry.LIFEPO4:
        why = "lithium stays flat for most of its charge, then its protection opens"
    else:
        why = "nobody has described what powers this site"
    return Markup("voltage tells little here: {}. Pre-dawn {}{}.{}").format(
        why, _known(health.predawn_v), _last_full(health, clock), _age(health)
    )


def _unknown(site: Site, health: SupplyHealth, clock: Clock) -> str:
    del site
    if health.predawn_day is None:
        return "no supply reading yet."
    days = _today(clock) - health.predawn_day
    return f"no newer supply reading; pre-dawn {_known(health.predawn_v)}, {_days_ago(days)}."


_FINDINGS: dict[Verdict, Words] = {
    Verdict.NOT_CHARGING: _not_charging,
    Verdict.DECLINING: _declining,
    Verdict.OVERCHARGING: _overcharging,
    Verdict.AGEING: _ageing,
    Verdict.DARK_AT_NIGHT: _dark_at_night,
    Verdict.STUCK: _stuck,
    Verdict.FEW_NIGHTS: _few_nights,
}
_CALM: dict[Verdict, Words] = {
    Verdict.STEADY: _steady,
    Verdict.TELLS_LITTLE: _tells_little,
    Verdict.UNKNOWN: _unknown,
}


# --- parts ---------------------------------------------------------------------------------


def _then(health: SupplyHealth, clock: Clock) -> str:
    if health.forecast is None:
        return ""
    return f"; {disconnect_words(health.forecast, clock.now_ms)}"


def _predawn(health: SupplyHealth) -> str:
    return "" if health.predawn_v is None else f", pre-dawn {_volts(health.predawn_v)}"


def _last_full(health: SupplyHealth, clock: Clock) -> Markup:
    if health.absorbed_ms is None:
        return Markup("")
    return Markup("; last reached absorption {}").format(clock.ago(health.absorbed_ms))


def _age(health: SupplyHealth) -> str:
    if health.age_days is None:
        return ""
    years = int(health.age_days / 365.25)
    if years < 2:
        months = max(round(health.age_days / 30.44), 1)
        return f" Battery is {plural(months, 'month')} old."
    return f" Battery is {years} years old."


def _looked_at(health: SupplyHealth) -> str:
    """Return what the words rest on, where they do not say it themselves."""
    if health.verdict in (Verdict.FEW_NIGHTS, Verdict.UNKNOWN) or not health.nights:
        return ""
    return f"Looked at: {_nights(health)} of pre-dawn voltage."


def _nights(health: SupplyHealth) -> str:
    return plural(health.nights, "night")


def _is_floated(site: Site) -> bool:
    return site.supply is not None and site.supply.kind is SupplyKind.MAINS_WITH_BATTERY


def _volts(value: float, decimals: int = 1) -> str:
    return f"{number(value, decimals)}\u00a0V"


def _known(value: float | None, decimals: int = 1) -> str:
    return "unknown" if value is None else _volts(value, decimals)


def _days_between(at_ms: int, clock: Clock) -> int:
    """Return how many local days ago an instant was: of noon nine days ago, 9 by breakfast."""
    then = local_time(at_ms, clock.zone).date()
    return _today(clock) - (then - datetime(1970, 1, 1, tzinfo=UTC).date()).days


def _today(clock: Clock) -> int:
    now = local_time(clock.now_ms, clock.zone).date()
    return (now - datetime(1970, 1, 1, tzinfo=UTC).date()).days


def _days_ago(days: int) -> str:
    if days <= 0:
        return "today"
    return "yesterday" if days == 1 else f"{days} days ago"
