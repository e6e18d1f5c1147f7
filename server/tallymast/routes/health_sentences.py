"""Sentences for what a site's last weeks say: contact that fell, a signal step, losses gone by.

Every share stands with the polls it rests on; a forecast is a range.
"""

import math
from collections.abc import Sequence

from markupsafe import Markup

from tallymast.domain.health import judged as j
from tallymast.domain.health.comms.model import Share, SignalStep
from tallymast.domain.health.losses import Fell, GatewayWas
from tallymast.domain.health.named import Named
from tallymast.domain.health.together import SilentTogether
from tallymast.routes.cause_words import cause_words
from tallymast.routes.formats import Clock, number, plural
from tallymast.routes.sentences import sentence, site_link, strong
from tallymast.routes.supply_sentences import supply_sentence


@sentence.register(j.SupplyFails)
@sentence.register(j.SupplyWatch)
def _(finding: j.SupplyJudged, clock: Clock) -> Markup:
    said = supply_sentence(finding.site, finding.health, clock) or Markup("{}.").format(
        site_link(finding.site)
    )
    if finding.silent_since_ms is None:
        return said
    return Markup("{} Dark now, since {} ({}).").format(
        said, clock.at(finding.silent_since_ms), clock.lasts(finding.silent_since_ms)
    )


@sentence.register(j.ContactBroken)
@sentence.register(j.ContactWatch)
def _(finding: j.ContactJudged, clock: Clock) -> Markup:
    parts = [*_signal(finding.signal, clock), *_change(finding, clock)]
    return Markup("{}: {}.").format(site_link(finding.site), Markup("; ").join(parts))


def _signal(step: SignalStep | None, clock: Clock) -> list[Markup]:
    if step is None:
        return []
    moved = step.after_dbm - step.before_dbm
    return [
        Markup("signal {} <b>{}\u00a0dB</b> between {} and {} ({} to {}\u00a0dBm)").format(
            "fell" if moved < 0 else "rose",
            round(abs(moved)),
            clock.at(step.from_ms),
            clock.at_the_time(step.to_ms),
            number(round(step.before_dbm)),
            number(round(step.after_dbm)),
        )
    ]


def _change(finding: j.ContactJudged, clock: Clock) -> list[Markup]:
    change = finding.change
    if change is None:
        return []
    since = Markup(" since {}").format(clock.at(change.at_ms)) if finding.signal is None else ""
    return [
        Markup("first-try {} \u2192 {}\u00a0% ({} polls{})").format(
            whole_percent(change.before),
            whole_percent(change.after),
            number(change.after.whole),
            since,
        ),
        Markup("retries still deliver {} of 100").format(whole_percent(change.delivered)),
    ]


def whole_percent(share: Share) -> str:
    """Return a share in whole per cent that says 100 only where nothing is missing."""
    if share.share is None:
        return "unknown"
    if share.part == share.whole:
        return "100"
    return f"{min(max(round(100 * share.share), 1 if share.part else 0), 99)}"


@sentence.register
def _(finding: j.AnswersSlower, clock: Clock) -> Markup:
    before, after = finding.slow.before, finding.slow.after
    return Markup(
        "{}: answers have become slower since {}: 95 of 100 came within {} (of {}), before within "
        "{}. The radio tries again by itself before polls are missed."
    ).format(
        site_link(finding.site),
        clock.at(finding.slow.since_ms),
        _seconds(after.p95_ms),
        plural(after.n, "poll"),
        _seconds(before.p95_ms),
    )


def _seconds(ms: float) -> str:
    digits = 1 if ms >= 1000 else 2
    return f"{math.ceil(ms / 10 ** (3 - digits)) * 10 ** (3 - digits) / 1000:.{digits}f}\u00a0s"


@sentence.register
def _(finding: j.WorseTogether, clock: Clock) -> Markup:
    return Markup(
        "{} answer worse at the first try since {}, all in one direction from {} ({}): "
        "one cause to look for."
    ).format(
        listed([site_link(site) for site in finding.sites]),
        clock.at(finding.since_ms),
        finding.gateway.name,
        _bearings(finding.bearing_deg),
    )


def _bearings(arc: tuple[float, float]) -> str:
    first, last = (f"{round(one) % 360:03d}" for one in arc)
    return f"{first} to {last}\u00b0 true"


@sentence.register
def _(finding: SilentTogether, clock: Clock) -> Markup:
    where = strong(finding.gateway.name)
    if finding.bearing_deg is not None:
        where = Markup("{} at {}").format(where, _bearings(finding.bearing_deg))
    return Markup("{} behind {} silent since {} ({}): one cause. {}.").format(
        plural(len(finding.sites), "site"),
        where,
        clock.at(finding.since_ms),
        clock.lasts(finding.since_ms),
        listed([site_link(site) for site in finding.sites]),
    )


@sentence.register
def _(finding: Named, clock: Clock) -> Markup:
    whose = [site_link(site) for site in finding.sites] or [strong(finding.gateway.name)]
    return Markup("{}: {}.").format(listed(whose), cause_words(finding.diagnosis.says, clock))


def loss_sentence(loss: GatewayWas, clock: Clock) -> Markup:
    """Return what a gateway's loss was, whom it is not counted against, and what fell in it."""
    said = Markup("Gateway {} was unreachable {} to {}; not counted against its {}.").format(
        strong(loss.gateway.name),
        clock.at(loss.from_ms),
        clock.at_the_time(loss.to_ms),
        plural(loss.sites, "site"),
    )
    return Markup(" ").join([said, *(_fell(one, clock) for one in loss.fell)])


def _fell(one: Fell, clock: Clock) -> Markup:
    safe = one.point.fail_safe
    said = Markup("{} {} dropped out at {} as set").format(
        site_link(one.site),
        one.point.name[:1].lower() + one.point.name[1:],
        clock.at_the_time(one.at_ms),
    )
    if one.back_ms is None:
        state = safe.state if safe else "off"
        return Markup("{}; still {}.").format(said, state)
    return Markup("{}; re-armed {}.").format(said, clock.at_the_time(one.back_ms))


def listed(names: Sequence[Markup | str]) -> Markup:
    """Return names as a list in a sentence: ``A, B and C``."""
    if len(names) < 2:
        return Markup("").join(names)
    return Markup("{} and {}").format(Markup(", ").join(names[:-1]), names[-1])
