"""Kills a serving program between each pair of an order's steps; looks how each order ended.

Several networks are tried beside each other, each with a program, a database and a station of its
own. The program is killed as a power cut does it (SIGKILL), started again, and every order is
followed to its end. A kill counts for the moment it is proven to have struck, whatever moment
was meant (``order_moments.py``).
"""

import tempfile
import threading
import time
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Final

import httpx

from tallymast.benches.order_field import OVER_S, VALID_MS, Field
from tallymast.benches.order_moments import Killed, Moment, Proof
from tallymast.benches.order_network import SITE, UNIT, some_order
from tallymast.benches.order_proxy import Passing
from tallymast.domain.orders.model import OrderState, Wanted
from tallymast.domain.orders.writing import request_of

BESIDE: Final = 6  # networks at a time
PAGES: Final = 3  # and so many more, whose programs serve pages
EVERY_S: Final = 10.0  # how often their sites are polled: as a control site
TRIES: Final = 6  # of each kill that is to strike at one moment
# Most often the read-back is asked before it is stored that the order was sent: between the two
# lies a kill only where the channel has to wait.
SENT_TRIES: Final = 2
CLOSE_LOOK_S: Final = 0.001  # to strike while the row says so
SOON_S: Final = 0.04  # within which a stored order is most often not claimed yet
UNANSWERED_S: Final = 1.0  # within which pages store an order if they can

_AT: Final = {  # what passes as the kill strikes
    Moment.WRITTEN: (Passing.WRITE,),
    Moment.ANSWERED: (Passing.ANSWER,),
    Moment.ASKED: (Passing.READ_BACK, Passing.READ),
}


@dataclass
class Kills:
    """What came of all kills, by the moment that was struck.

    Attributes:
        by_moment: where a kill struck.
        missed: struck at no moment between two steps, as the order had ended.
        slow_starts: starts that took too long, and were repeated.

    """

    by_moment: dict[Moment, Killed] = field(
        default_factory=lambda: {moment: Killed() for moment in Moment}
    )
    missed: Killed = field(default_factory=Killed)
    slow_starts: int = 0

    def join(self, other: "Kills") -> None:
        """Count another network's besides."""
        for moment, killed in other.by_moment.items():
            self.by_moment[moment].join(killed)
        self.missed.join(other.missed)
        self.slow_starts += other.slow_starts


def kill_between(times: int, seed: int) -> Kills:
    """Kill at each moment of an order until ``times`` kills have struck then, if they can."""
    steps = tuple(moment for moment in Moment if moment is not Moment.BEFORE)
    found = Kills()
    with ThreadPoolExecutor(BESIDE + PAGES) as pool:
        lanes = [
            pool.submit(_lane, role, moments, share, f"{seed} {role} {n}")
            for role, moments, most in (("all", (Moment.BEFORE,), PAGES), ("poller", steps, BESIDE))
            for n, share in enumerate(_shares(times, most))
        ]
        for lane in lanes:
            found.join(lane.result())
    return found


def _shares(times: int, most: int) -> list[int]:
    """Return how many kills each of at most ``most`` networks takes."""
    among = min(times, most)
    return [times // among + (n < times % among) for n in range(among)]


def _lane(role: str, moments: Sequence[Moment], times: int, seed: str) -> Kills:
    with tempfile.TemporaryDirectory() as folder:
        field_ = Field(Path(folder), EVERY_S, role)
        with field_.running():
            return Lane(field_, Random(seed)).run(moments, times)


@dataclass
class _Trial:
    """One order, and what passed of it.

    Attributes:
        made_s, heard_s: when it was made, and when the site was heard again after the kill.
        passed: what passed of it, and when [s].
        asked_s: when the program sent a request last [s].
        is_struck: whether the kill was begun from the proxy.

    """

    key: str
    tag: str
    wanted: Wanted
    value: int
    made_s: float
    heard_s: float = 0.0
    passed: dict[Passing, float] = field(default_factory=dict)
    asked_s: float = 0.0
    is_struck: bool = False
    proof: Proof = field(default_factory=lambda: Proof(None))


class Lane:
    """Kills in one network, one order after the other."""

    def __init__(self, field_: Field, chance: Random) -> None:
        self.found = Kills()
        self._field = field_
        self._chance = chance
        self._struck: Counter[Moment | None] = Counter()
        self._last: _Trial | None = None
        self._n = self._counted = 0

    def run(self, moments: Sequence[Moment], times: int) -> Kills:
        """Kill until ``times`` kills have struck at each moment, or it was tried too often."""
        for n in range(1, times + 1):
            for moment in moments:
                for _ in range(SENT_TRIES if moment is Moment.SENT else TRIES):
                    if self._struck[moment] >= n:
                        break
                    self._kill_at(moment)
        self._count()
        self.found.slow_starts = self._field.slow_starts
        return self.found

    def _kill_at(self, moment: Moment) -> None:
        self._count()  # what the last order's program did until now is the last order's
        trial = self._last = self._trial()
        self._strike(trial, moment)
        self._hear_the_rest()
        trial.proof = self._proven(trial)
        self._field.start()
        trial.heard_s = self._field.heard_s
        if moment is Moment.BEFORE:
            self._ask(trial)  # as who got no reply does, by the same key
        self._see_to_the_end(trial)
        self._struck[trial.proof.moment()] += not self._is_late(trial)

    def _trial(self) -> _Trial:
        self._n += 1
        tag, wanted = some_order(self._chance)
        point = self._field.site.site.point(tag)
        assert point is not None
        value = request_of(UNIT, point, wanted).values[0]
        return _Trial(f"kill-{self._n}", tag, wanted, value, time.monotonic())

    # --- the kill --------------------------------------------------------------------------

    def _strike(self, trial: _Trial, moment: Moment) -> None:
        """Have an order made, and kill the program at a moment of it."""
        proxy = self._field.proxy
        with ExitStack() as held:
            proxy.told = lambda passing, frame: self._told(trial, moment, held, passing, frame)
            proxy.asked = lambda frame: self._asked(trial, moment, frame)
            if moment is Moment.BEFORE:
                held.enter_context(self._field.unwritable())
                threading.Thread(target=self._ask, args=(trial,), daemon=True).start()
                time.sleep(UNANSWERED_S * self._chance.random())
            else:
                self._field.make(trial.key, trial.tag, trial.wanted)
                self._wait(trial, moment)
            self._field.kill()

    def _hear_the_rest(self) -> None:
        """Take what was on its way when the program died, and then nothing of this order."""
        proxy = self._field.proxy
        proxy.drain(OVER_S)
        proxy.told, proxy.asked = lambda *_: None, lambda _: None

    def _wait(self, trial: _Trial, moment: Moment) -> None:
        """Wait for a moment; what the proxy sees it strikes at itself."""
        if moment is Moment.STORED:
            time.sleep(SOON_S * self._chance.random())
        elif moment is Moment.CLAIMED:
            self._until_past(trial, OrderState.STORED)
        elif moment is Moment.SENT:
            self._until_past(trial, OrderState.STORED, OrderState.SENDING)
        else:
            over = self._field.is_over
            self._field.until(lambda: trial.is_struck or over(trial.key))

    def _until_past(self, trial: _Trial, *states: OrderState) -> None:
        self._field.until(lambda: self._field.state(trial.key) not in states, CLOSE_LOOK_S)

    def _told(
        self, trial: _Trial, moment: Moment, held: ExitStack, passing: Passing, frame: bytes
    ) -> None:
        if frame[0] != UNIT or trial.is_struck:
            return
        trial.passed.setdefault(passing, time.monotonic())
        if moment is Moment.SHOWN and passing is Passing.READ:
            held.enter_context(self._field.unwritable())  # it is answered, and cannot store that
        elif passing in _AT.get(moment, ()) and self._is_now(passing):
            trial.is_struck = True
            self._field.kill()  # its bytes are here, and go on

    def _is_now(self, passing: Passing) -> bool:
        """Whether to strike as this passes: the read-back's question, or else its answer."""
        return passing is not Passing.READ_BACK or self._chance.random() < 0.5

    def _asked(self, trial: _Trial, moment: Moment, frame: bytes) -> None:
        if trial.is_struck:
            return
        trial.asked_s = time.monotonic()
        if moment is Moment.SHOWN and Passing.READ in trial.passed:
            trial.is_struck = True
            self._field.kill()

    def _ask(self, trial: _Trial) -> None:
        """Order by the API, as a script does; whoever is killed meanwhile does not answer."""
        wanted = trial.wanted
        body = {
            "site": SITE,
            "tag": trial.tag,
            "kind": wanted.kind.value,
            "want": wanted.want,
            "duration_s": wanted.duration_s,
            "request_key": trial.key,
        }
        try:
            address = f"{self._field.pages}/api/v1/orders"
            httpx.post(address, json=body, timeout=OVER_S, trust_env=False).raise_for_status()
        except httpx.TransportError:
            return

    def _see_to_the_end(self, trial: _Trial) -> None:
        """Wait until the order has ended and the site was polled since."""
        self._field.until(lambda: self._field.is_over(trial.key))
        order, _ = self._field.order(trial.key)
        if order is not None:
            self._field.until_known(max(order.state_ms, order.readback_ms or 0))

    # --- what came of it -------------------------------------------------------------------

    def _proven(self, trial: _Trial) -> Proof:
        """Return what is certain: requests had left before the kill, answers came before it."""
        killed_s, asked = self._field.killed_s, (Passing.WRITE, Passing.READ_BACK)
        passed = {
            passing for passing, at_s in trial.passed.items() if passing in asked or at_s < killed_s
        }
        went_on = trial.asked_s > trial.passed.get(Passing.READ, float("inf"))
        return Proof(self._field.state(trial.key), frozenset(passed), went_on)

    def _is_late(self, trial: _Trial) -> bool:
        """Whether the machine took so long to start again that the order's time was over."""
        is_slow = trial.heard_s - trial.made_s > VALID_MS / 1000
        return is_slow and self._field.state(trial.key) is OrderState.NOT_SENT

    def _count(self) -> None:
        """Count the last order; nothing that is executed from now on is its doing."""
        writes = self._field.truth.writes[self._counted :]
        self._counted += len(writes)
        trial, self._last = self._last, None
        if trial is None:
            return
        found, steps = self._field.order(trial.key)
        moment = trial.proof.moment()
        tally = self.found.missed if moment is None else self.found.by_moment[moment]
        tally.early += trial.proof.is_early
        tally.add(found, steps, writes, trial.value, is_late=self._is_late(trial))
