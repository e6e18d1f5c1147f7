"""Findings in plain sentences: what is so, since when, what it means, what to look at.

One sentence a cause; every time as clock and age; never a bare code, never a value without
its age.
"""

from functools import singledispatch

from markupsafe import Markup

from tallymast.domain.health import findings as f
from tallymast.domain.health.attention import number_of
from tallymast.domain.health.supply.ruled_out import is_not_the_battery
from tallymast.domain.model import PointKind, Reading, Site
from tallymast.routes.formats import (
    Clock,
    decimals_of,
    measure,
    number,
    plural,
    value_words,
    with_unit,
)

# MODBUS Application Protocol V1.1b3 section 7, in words a technician can act on.
_REFUSALS = {
    1: "it does not know this Modbus function; its profile does not fit the station",
    2: "it has no such register; its register map does not fit the station",
    3: "it does not accept this number of registers; its profile does not fit the station",
    4: "it reports a device failure; look at the station itself",
    10: "a gateway on the way has no path to it; look at that gateway's own settings",
}


@singledispatch
def sentence(finding: f.Finding, clock: Clock) -> Markup:
    """Return the sentence that says a finding.

    Args:
        finding: what is so.
        clock: writes times and ages.

    """
    raise NotImplementedError(type(finding).__name__)


@sentence.register
def _(finding: f.GatewayLost, clock: Clock) -> Markup:
    return Markup(
        "{} cannot be reached since {} ({}). {}Its {} not to blame and not counted as missing."
    ).format(
        strong(finding.gateway.name),
        clock.at(finding.since_ms),
        clock.lasts(finding.since_ms),
        _sentence_of(finding.reason),
        plural(len(finding.sites), "site is", "sites are"),
    )


@sentence.register
def _(finding: f.GatewayMute, clock: Clock) -> Markup:
    return Markup(
        "{} accepts the connection, but nothing behind it answers since {} ({}). {}"
    ).format(
        strong(finding.gateway.name),
        clock.at(finding.since_ms),
        clock.lasts(finding.since_ms),
        _sentence_of(finding.reason)
        or "An old session may hold its port; set its keep-alive to 30 to 60 s.",
    )


@sentence.register
def _(finding: f.PathSilent, clock: Clock) -> Markup:
    behind = len(finding.behind)
    return Markup(
        "{} and {} behind it silent since {} ({}): one cause, start at the repeater. {}"
    ).format(
        site_link(finding.site),
        "the site" if behind == 1 else f"the {behind} sites",
        clock.at(finding.since_ms),
        clock.lasts(finding.since_ms),
        _last_supply(finding.site, finding.supply, clock),
    )


@sentence.register
def _(finding: f.Silent, clock: Clock) -> Markup:
    return Markup("{} does not answer since {} ({}), {} in a row. {}").format(
        site_link(finding.site),
        clock.at(finding.since_ms),
        clock.lasts(finding.since_ms),
        plural(finding.missed_in_row, "poll missed", "polls missed"),
        _last_supply(finding.site, finding.supply, clock),
    )


@sentence.register
def _(finding: f.NeverAnswered, clock: Clock) -> Markup:
    return Markup(
        "{} has never answered, asked since {} ({}). Unit address {}, power and antenna there, "
        "and the radio path decide."
    ).format(
        site_link(finding.site),
        clock.at(finding.since_ms),
        clock.lasts(finding.since_ms),
        finding.site.unit,
    )


@sentence.register
def _(finding: f.SupplyBelowDisconnect, clock: Clock) -> Markup:
    return Markup("{}: supply {} at {}, at or below its load disconnect ({}\u00a0V).").format(
        site_link(finding.site),
        _value(finding.site, finding.reading),
        _when(finding.reading, clock),
        number(finding.disconnect_v),
    )


@sentence.register
def _(finding: f.SupplyNearDisconnect, clock: Clock) -> Markup:
    return Markup("{}: supply {} at {}, close above its load disconnect ({}\u00a0V).").format(
        site_link(finding.site),
        _value(finding.site, finding.reading),
        _when(finding.reading, clock),
        number(finding.disconnect_v),
    )


@sentence.register
def _(finding: f.NoSuchRegister, clock: Clock) -> Markup:
    del clock
    names = ", ".join(f"{point.name} ({point.tag})" for point in finding.points)
    return Markup(
        "{}: the station has no register for {}; its profile does not fit. "
        "Everything else is read without {}."
    ).format(site_link(finding.site), names, "it" if len(finding.points) == 1 else "them")


@sentence.register
def _(finding: f.Refuses, clock: Clock) -> Markup:
    meaning = _REFUSALS.get(finding.code, "see the station's manual")
    return Markup("{} refuses part of what it is asked (Modbus exception {:02X}): {}.").format(
        site_link(finding.site), finding.code, meaning
    )


@sentence.register(f.FarOutside)
@sentence.register(f.Outside)
def _(finding: f.FarOutside | f.Outside, clock: Clock) -> Markup:
    outer = isinstance(finding, f.FarOutside)
    side = "high" if finding.above else "low"
    return Markup("{}: {} {} at {}, {} its {} limit {}{}.").format(
        site_link(finding.site),
        _lower_first(finding.point.name),
        Markup("<b>{}</b>").format(value_words(finding.reading, finding.point)),
        _when(finding.reading, clock),
        "above" if finding.above else "below",
        f"{side}-{side}" if outer else side,
        measure(finding.bound, finding.point),
        _since(finding, clock),
    )


@sentence.register
def _(finding: f.ContactAlarm, clock: Clock) -> Markup:
    return Markup("{}: {} is {} at {}{}.").format(
        site_link(finding.site),
        _lower_first(finding.point.name),
        Markup("<b>{}</b>").format(value_words(finding.reading, finding.point)),
        _when(finding.reading, clock),
        _since(finding, clock),
    )


def _since(finding: f.OfPoint, clock: Clock) -> Markup:
    if finding.since_ms is None:
        return Markup("")
    return Markup(" since {} ({})").format(
        clock.at(finding.since_ms), clock.lasts(finding.since_ms)
    )


@sentence.register
def _(finding: f.NoValue, clock: Clock) -> Markup:
    point = finding.point
    lasts = Markup("")
    if finding.since_ms is not None:
        lasts = Markup(" for {}").format(clock.lasts(finding.since_ms))
    return Markup("{}: {} <b>UNKNOWN</b>{} ({}){}. {}").format(
        site_link(finding.site),
        _lower_first(point.name),
        lasts,
        (finding.reading.reason or "the answer holds no valid value").rstrip("."),
        _last_good(finding, clock),
        "Gauge by hand before relying on it." if point.kind in _GAUGED else "",
    )


# What a person can look at or measure at the site in its place.
_GAUGED = (PointKind.ANALOG_INPUT, PointKind.RATE, PointKind.TOTALIZER)


def _last_good(finding: f.NoValue, clock: Clock) -> Markup:
    if finding.last is None or finding.last_ms is None:
        return Markup("")
    point = finding.point
    last = number(finding.last, decimals_of(point))
    if point.kind is PointKind.ANALOG_INPUT and point.value is not None:
        last = f"{last} of {number(max(point.value), decimals_of(point))}"
    return Markup("; last good {} at {}").format(
        with_unit(last, point.unit), clock.at(finding.last_ms)
    )


@sentence.register
def _(finding: f.Overdue, clock: Clock) -> Markup:
    return Markup(
        "{} was last asked {} ({}), far longer ago than its period: look at the polling."
    ).format(
        site_link(finding.site), clock.at(finding.last_poll_ms), clock.ago(finding.last_poll_ms)
    )


@sentence.register
def _(finding: f.OldValues, clock: Clock) -> Markup:
    shown = ", ".join(_lower_first(point.name) for point in finding.points[:3])
    more = len(finding.points) - 3
    return Markup("{} answers, but {}{} came last at {} ({}).").format(
        site_link(finding.site),
        shown,
        f" and {more} more" if more > 0 else "",
        clock.at(finding.oldest_ms),
        clock.ago(finding.oldest_ms),
    )


def strong(text: str) -> Markup:
    """Return a name that stands out."""
    return Markup("<strong>{}</strong>").format(text)


def site_link(site: Site) -> Markup:
    """Return a site's name, leading to its page."""
    return Markup('<a href="/sites/{}"><strong>{}</strong></a>').format(site.key, site.name)


def _sentence_of(reason: str) -> str:
    text = reason.strip()
    return f"{text if text.endswith('.') else text + '.'} " if text else ""


def _when(reading: Reading, clock: Clock) -> Markup:
    return clock.at(reading.at_ms) if reading.at_ms is not None else Markup("an unknown time")


def _value(site: Site, reading: Reading) -> Markup:
    point = site.point(reading.tag)
    return Markup("<b>{}</b>").format(value_words(reading, point) if point else "unknown")


def _last_supply(site: Site, supply: Reading | None, clock: Clock) -> Markup:
    if supply is None or supply.at_ms is None:
        return Markup("Its supply was never read.")
    volts = number_of(supply)
    cleared = volts is not None and is_not_the_battery(site.supply, volts)
    return Markup("Its last supply reading was {} ({}){}.").format(
        _value(site, supply), clock.ago(supply.at_ms), ": not the battery" if cleared else ""
    )


def _lower_first(name: str) -> str:
    """Return a name as it stands inside a sentence; abbreviations keep their capitals."""
    return name[:1].lower() + name[1:] if name[1:2].islower() else name
