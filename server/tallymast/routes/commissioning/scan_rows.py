"""What a scan found, in words: who answers, how fast, which profile fits, who is a stranger."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final
from urllib.parse import urlencode

from tallymast.domain.commissioning.matching import Match, matches
from tallymast.domain.commissioning.scanning import Heard, Hearing, tally
from tallymast.domain.model import JobState, Profile
from tallymast.routes.commissioning.scans import Scan, registers_of
from tallymast.routes.formats import number, plural
from tallymast.routes.rows import Mark
from tallymast.routes.services import NetworkView

_MARKS: Final = {
    Hearing.ANSWER: Mark("answers", "disc", "calm"),
    Hearing.REFUSAL: Mark("refuses", "triangle", "watch"),
    Hearing.GARBLED: Mark("garbled", "octagon", "act"),
    Hearing.SILENCE: Mark("nobody", "dash", "off"),
}
STRANGER: Final = Mark("a stranger", "diamond", "watch")


@dataclass(frozen=True, slots=True)
class ScanRow:
    """One address that brought something.

    Attributes:
        site: name of the site configured there, empty: nobody.
        fits: which profiles fit, in sentences, the best first.
        enter: address of the form that makes a site of it, empty where one is there.

    """

    unit: int
    hearing: Hearing
    mark: Mark
    ms: str
    site: str
    site_key: str
    fits: tuple[str, ...]
    do: str
    enter: str


@dataclass(frozen=True, slots=True)
class ScanShown:
    """A scan as its page shows it."""

    number: int
    is_over: bool
    mark: Mark
    words: str
    progress: float
    rows: tuple[ScanRow, ...]
    strangers: int
    asked_ms: int
    done_ms: int | None


def scan_shown(
    scan: Scan, network: NetworkView, gateway_key: str, profiles: Mapping[str, Profile]
) -> ScanShown:
    """Return a scan in words; of silent addresses only their number and configured ones."""
    now = [_as_now(heard, network, gateway_key) for heard in scan.heard]
    rows = tuple(
        scan_row(scan, heard, network, gateway_key, profiles)
        for heard in now
        if heard.hearing is not Hearing.SILENCE or heard.site is not None
    )
    job = scan.job
    return ScanShown(
        job.id,
        scan.is_over,
        _job_mark(scan),
        _words(scan),
        round(job.progress, 3),
        rows,
        sum(heard.is_stranger for heard in now),
        job.asked_ms,
        job.done_ms,
    )


def scan_row(
    scan: Scan,
    heard: Heard,
    network: NetworkView,
    gateway_key: str,
    profiles: Mapping[str, Profile],
) -> ScanRow:
    """Return what one address brought, in words."""
    heard = _as_now(heard, network, gateway_key)
    found = matches(heard, registers_of(scan.job.params.get("profiles", {})))
    plan = network.site(heard.site) if heard.site else None
    expected = plan.site.profile if plan else ""
    best = found[0].profile if found else ""
    wanted = {"gateway": gateway_key, "unit": heard.unit, **({"profile": best} if best else {})}
    is_new = heard.is_stranger and heard.hearing.is_station
    return ScanRow(
        heard.unit,
        heard.hearing,
        STRANGER if heard.is_stranger and heard.hearing.is_station else _MARKS[heard.hearing],
        f"{number(round(heard.ms))}\u00a0ms" if heard.ms is not None else "",
        plan.site.name if plan else "",
        heard.site or "",
        fit_words(heard, found, expected, profiles),
        _to_do(heard, found, expected),
        f"/setup/sites/new?{urlencode(wanted)}" if is_new else "",
    )


def _as_now(heard: Heard, network: NetworkView, gateway_key: str) -> Heard:
    """Return what was heard with who is configured there now: a stranger may be entered by now."""
    gateway = network.gateway(gateway_key)
    sites = gateway.sites if gateway else ()
    keys = (one.site.key for one in sites if one.site.unit == heard.unit)
    return replace(heard, site=next(keys, None))


def fit_words(
    heard: Heard, found: tuple[Match, ...], expected: str, profiles: Mapping[str, Profile]
) -> tuple[str, ...]:
    """Return which profiles fit, in sentences; that it refused all where none does."""
    if not heard.hearing.is_station:
        return ()
    if not found:
        code = f" (exception {heard.code:02X})" if heard.code else ""
        return (f"No profile fits: it refuses what was asked{code}.",)
    whole = [_fit(one, expected, profiles) for one in found if one.is_whole]
    partly = [one for one in found if not one.is_whole]
    if not whole:
        return tuple(_fit(one, expected, profiles) for one in partly)
    if not partly:
        return tuple(whole)
    listed = (f"{_name(one, profiles)} {one.answered} of {one.asked}" for one in partly)
    return (*whole, f"In part, by blocks: {', '.join(listed)}.")


def _fit(one: Match, expected: str, profiles: Mapping[str, Profile]) -> str:
    name = _name(one, profiles)
    mine = ", as configured" if one.profile == expected else ""
    if one.is_whole:
        return (
            f"{name} fits{mine}: {one.answered} of {plural(one.asked, 'block')}, "
            f"{plural(one.registers, 'register')}."
        )
    return f"{name} fits in part{mine}: {one.answered} of {plural(one.asked, 'block')}."


def _name(one: Match, profiles: Mapping[str, Profile]) -> str:
    return profiles[one.profile].name if one.profile in profiles else one.profile


def _to_do(heard: Heard, found: tuple[Match, ...], expected: str) -> str:
    if heard.hearing is Hearing.GARBLED:
        return "Two stations answer at once, or noise: switch one off and ask again."
    if heard.hearing is Hearing.SILENCE:
        return "Configured here and not heard at one try."
    whole = [one.profile for one in found if one.is_whole]
    if expected and expected not in whole:
        return f"Configured as {expected}, which does not fit whole: look at the profile."
    if heard.hearing is Hearing.REFUSAL and not whole:
        return "A station with another register map lives here."
    return ""


def _job_mark(scan: Scan) -> Mark:
    if scan.job.state is JobState.FAILED:
        return Mark("ended early", "triangle", "watch")
    if scan.is_over:
        whole = len(scan.heard) >= len(scan.job.params.get("units", ()))
        return Mark("done", "disc", "calm") if whole else Mark("stopped", "square", "off")
    is_waiting = scan.job.state is JobState.WAITING
    return Mark("waits for its turn" if is_waiting else "goes on", "diamond", "off")


def _words(scan: Scan) -> str:
    """Return how far a scan is and what it heard; counts of addresses, never rates."""
    wanted, counts = len(scan.job.params.get("units", ())), tally(scan.heard)
    said = f"{len(scan.heard)} of {plural(wanted, 'address', 'addresses')} asked"
    parts = [
        plural(counts[Hearing.ANSWER], "answers", "answer"),
        plural(counts[Hearing.REFUSAL], "refuses", "refuse"),
        f"{counts[Hearing.GARBLED]} garbled",
        f"{counts[Hearing.SILENCE]} silent",
    ]
    said = f"{said}: {', '.join(parts)}." if scan.heard else f"{said}."
    failed = scan.job.state is JobState.FAILED and scan.job.result
    return f"{said} {scan.job.result}" if failed else said
