"""What a poll makes of a site: its contact, its newest words, its counts of the hour.

Pure: the state before and a recorded poll go in, the state after comes out. When a site is
asked again is decided in pacing.py, from the pause kept here.
"""

from dataclasses import dataclass, replace

from tallymast.domain.model import (
    Gateway,
    HourCounts,
    Outcome,
    Poll,
    PollFlag,
    Site,
    SiteLayout,
    SiteState,
    SiteStatus,
)

FAIL_AFTER_MS = 60_000  # Ours: three misses at 10 s are nuisance, not yet a failed site.
GOOD_TO_CLEAR = 3
PROBE_CEILING_WITH_OUTPUT_S = 60.0  # Ours: a station that holds an output is looked for sooner.
HOUR_MS = 3_600_000
BACK_STEP_MS = 120_000

_COUNTED = {
    Outcome.FIRST_TRY: "first_try",
    Outcome.RETRIED: "retried",
    Outcome.NO_ANSWER: "no_answer",
    Outcome.GARBLED: "garbled",
    Outcome.GATEWAY_LOST: "gateway_lost",
}


@dataclass(frozen=True, slots=True)
class Patience:
    """How many misses in a row make a site fail, and the pauses [s] in which it is then asked."""

    miss_limit: int
    first_probe_s: float
    probe_ceiling_s: float


def patience(site: Site, gateway: Gateway) -> Patience:
    """Return a site's patience: probes begin at twice its poll period and double to a ceiling.

    The ceiling is the gateway's, 60 s at most where an output is fitted, and never below the
    site's own poll period: a site asked every 15 minutes is not asked more often because it fails.
    """
    ceiling = gateway.probe_ceiling_s
    if any(point.write is not None for point in site.points):
        ceiling = min(ceiling, PROBE_CEILING_WITH_OUTPUT_S)
    ceiling = max(ceiling, site.poll_every_s)
    return Patience(site.miss_limit, min(2 * site.poll_every_s, ceiling), ceiling)


def first_state(layout: SiteLayout, status: SiteStatus, now_ms: int) -> SiteState:
    """Return the state of a site nothing is known of yet."""
    nothing = (None,) * len(layout.blocks)
    return SiteState(layout.site_id, status, now_ms, layout.id, None, None, nothing, nothing)


def fitted(state: SiteState, layout: SiteLayout) -> SiteState:
    """Return the state with room for the layout's blocks; words of another layout are dropped."""
    if state.layout_id == layout.id and len(state.block_words) == len(layout.blocks):
        return state
    nothing = (None,) * len(layout.blocks)
    return replace(
        state, layout_id=layout.id, block_words=nothing, block_ms=nothing, suspect_blocks=0
    )


def is_failing(state: SiteState) -> bool:
    """Whether the site is asked by probes only: failed, and silent at its last poll."""
    return state.probe_s is not None and state.missed_in_row > 0


def stamp(wall_ms: int, last_ms: int | None) -> tuple[int, bool]:
    """Return a poll's time [ms], always later than the site's last, and whether time was broken.

    A clock stepped back by up to two minutes is ridden over in steps of 1 ms; a larger step
    is taken as the new time, and the second value says that an episode is due.
    """
    if last_ms is None or wall_ms > last_ms:
        return wall_ms, False
    if last_ms - wall_ms <= BACK_STEP_MS:
        return last_ms + 1, False
    return wall_ms, True


def next_state(
    state: SiteState, poll: Poll, layout: SiteLayout, patience: Patience, suspect_blocks: int = 0
) -> SiteState:
    """Return what is known of the site after ``poll``.

    Args:
        state: what was known before, fitted to ``layout``.
        poll: the poll, recorded under ``layout``.
        layout: the blocks the poll's words belong to.
        patience: how many misses make the site fail, and how it is asked then.
        suspect_blocks: bit n set: the answer of block n is suspect.

    """
    if poll.outcome is Outcome.GATEWAY_LOST:
        after = replace(state, last_poll_ms=poll.at_ms)
    elif poll.outcome.is_answered:
        after = _with_words(_answered(state, poll, patience), poll, layout, suspect_blocks)
    else:
        after = _missed(state, poll, patience)
    after = _counted(after, poll)
    status = _status(after, poll)
    return after if status is state.status else replace(after, status=status, since_ms=poll.at_ms)


def _status(state: SiteState, poll: Poll) -> SiteStatus:
    if state.status is SiteStatus.MAINTENANCE:
        return SiteStatus.MAINTENANCE
    if poll.outcome is Outcome.GATEWAY_LOST:
        return SiteStatus.UNREACHABLE
    if state.last_answer_ms is None:
        return SiteStatus.NEVER_ANSWERED
    return SiteStatus.IN_SERVICE if state.probe_s is None else SiteStatus.COMM_FAIL


def _answered(state: SiteState, poll: Poll, patience: Patience) -> SiteState:
    good = state.good_in_row + 1
    healed = state.probe_s is None or state.last_answer_ms is None or good >= GOOD_TO_CLEAR
    return replace(
        state,
        last_poll_ms=poll.at_ms,
        last_answer_ms=poll.at_ms,
        missed_in_row=0,
        good_in_row=good,
        first_miss_ms=None,
        probe_s=None if healed else patience.first_probe_s,
        code=poll.code,
    )


def _missed(state: SiteState, poll: Poll, patience: Patience) -> SiteState:
    missed = state.missed_in_row + 1
    first = state.first_miss_ms
    if first is None or first > poll.at_ms:
        first = poll.at_ms
    return replace(
        state,
        last_poll_ms=poll.at_ms,
        missed_in_row=missed,
        good_in_row=0,
        first_miss_ms=first,
        probe_s=_pause(state, missed, poll.at_ms - first, patience),
        code=poll.code,
    )


def _pause(state: SiteState, missed: int, silent_ms: int, patience: Patience) -> float | None:
    if state.probe_s is None:
        fails = missed >= patience.miss_limit and silent_ms >= FAIL_AFTER_MS
        return patience.first_probe_s if fails else None
    if state.missed_in_row == 0:
        return patience.first_probe_s  # it had come back for a poll or two: begin anew
    return min(2 * state.probe_s, patience.probe_ceiling_s)


def _with_words(state: SiteState, poll: Poll, layout: SiteLayout, suspect_blocks: int) -> SiteState:
    words, times = list(state.block_words), list(state.block_ms)
    suspects, at = state.suspect_blocks, 0
    for n, block in enumerate(layout.blocks):
        if not poll.got >> n & 1:
            continue
        words[n] = poll.words[at : at + 2 * block.words]
        times[n] = poll.at_ms
        suspects = suspects & ~(1 << n) | (suspect_blocks & (1 << n))
        at += 2 * block.words
    return replace(state, block_words=tuple(words), block_ms=tuple(times), suspect_blocks=suspects)


def _counted(state: SiteState, poll: Poll) -> SiteState:
    hour = poll.at_ms - poll.at_ms % HOUR_MS
    counts = state.hour_counts if hour == state.hour_ms else HourCounts()
    if not poll.flags & PollFlag.MAINTENANCE:
        counts = _add(counts, poll)
    return replace(state, hour_ms=hour, hour_counts=counts)


def _add(counts: HourCounts, poll: Poll) -> HourCounts:
    name = _COUNTED[poll.outcome]
    more = {name: getattr(counts, name) + 1}
    if poll.outcome.is_answered and poll.flags & PollFlag.REFUSED:
        more["refused"] = counts.refused + 1
    return replace(counts, **more)
