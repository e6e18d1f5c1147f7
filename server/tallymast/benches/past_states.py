"""How sites stood at instants of a simulated past, asked in order of time.

A site that answered three polls in a row is in service, whatever was before: from there on its
newest polls are followed as the poller follows them.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.contact import GOOD_TO_CLEAR, first_state, next_state, patience
from tallymast.domain.model import (
    Gateway,
    GatewayPlan,
    GatewayState,
    GatewayStatus,
    Outcome,
    SitePlan,
    SiteState,
    SiteStatus,
)
from tallymast.domain.record.chunks import PollColumns, polls_of
from tallymast.simulator.faults import FaultKind, Faults


class PastState:
    """One site's newest state; asked for instants that only grow."""

    def __init__(self, gateway: Gateway, plan: SitePlan, columns: PollColumns) -> None:
        self._plan = plan
        self._columns = columns
        self._patience = patience(plan.site, gateway)
        asked = np.flatnonzero(columns.outcome != Outcome.GATEWAY_LOST)
        self._firsts, self._lasts = _healed(asked, columns.outcome[asked] <= Outcome.RETRIED)
        self._whole = np.flatnonzero(columns.got == (1 << len(columns.widths)) - 1)
        self._known = 0  # polls that are in the state already
        self._state: SiteState | None = None

    def at(self, now_ms: int) -> SiteState | None:
        """Return the state after all polls before an instant; None before the first."""
        end = int(np.searchsorted(self._columns.at_ms, now_ms))
        place = int(np.searchsorted(self._lasts, end)) - 1
        if place >= 0 and int(self._firsts[place]) > self._known:
            self._begin_at(int(self._firsts[place]))
        self._follow(slice(self._known, end))
        self._known = end
        return self._state

    def _begin_at(self, first: int) -> None:
        """Forget what was before a poll, but for the newest whole answer."""
        before = int(np.searchsorted(self._whole, first)) - 1
        was = self._state
        self._state = None
        if before >= 0:
            row = int(self._whole[before])
            self._follow(slice(row, row + 1))
        self._state = _since(was, self._state)
        self._known = first

    def _follow(self, rows: slice) -> None:
        layout = self._plan.layout
        for poll in polls_of(self._columns.take(rows), self._plan.site_id, layout.id):
            if self._state is None:
                self._state = first_state(layout, SiteStatus.NEVER_ANSWERED, poll.at_ms)
            self._state = next_state(self._state, poll, layout, self._patience)


def _since(was: SiteState | None, now: SiteState | None) -> SiteState | None:
    """Return a state that holds since it held before, where it is the same still."""
    if was is None or now is None or was.status is not now.status:
        return now
    return replace(now, since_ms=was.since_ms)


def gateway_states(
    gateways: tuple[GatewayPlan, ...], faults: Faults, begin_ms: int, now_ms: int
) -> dict[int, GatewayState]:
    """Return what each gateway was doing at an instant, by id."""
    return {one.gateway_id: _gateway(one, faults, begin_ms, now_ms) for one in gateways}


def _gateway(one: GatewayPlan, faults: Faults, begin_ms: int, now_ms: int) -> GatewayState:
    for fault in faults:
        is_its = fault.kind is FaultKind.GATEWAY_DOWN and fault.gateway == one.gateway.key
        if is_its and fault.from_ms <= now_ms < fault.to_ms:
            sentence = f"{one.gateway.name} refuses the connection."
            lost = GatewayStatus.UNREACHABLE
            return GatewayState(one.gateway_id, lost, fault.from_ms, sentence=sentence)
    return GatewayState(one.gateway_id, GatewayStatus.CONNECTED, begin_ms)


def _healed(
    asked: NDArray[np.int64], answered: NDArray[np.bool_]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return first and last row of every stretch of just enough answers in a row."""
    n = len(asked) - GOOD_TO_CLEAR + 1
    if n < 1:
        return asked[:0], asked[:0]
    whole = np.ones(n, np.bool_)
    for shift in range(GOOD_TO_CLEAR):
        whole &= answered[shift : shift + n]
    return asked[:n][whole], asked[GOOD_TO_CLEAR - 1 :][whole]
