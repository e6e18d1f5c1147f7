"""Orders against everything that may go wrong on the way to a station and back.

Faults of the line are tried in virtual time (``order_faults.py``), kills of the serving program
and the time from confirming to the read-back with real processes (``order_kills.py``).
"""

import tempfile
import time
from collections.abc import Iterable
from pathlib import Path
from random import Random
from typing import Final

import numpy as np

from tallymast.benches.order_faults import Tally, try_fault
from tallymast.benches.order_field import Field
from tallymast.benches.order_kills import Kills, kill_between
from tallymast.benches.order_moments import Killed
from tallymast.benches.order_station import FAULTS
from tallymast.domain.orders.model import OrderKind, Wanted

USUAL_S: Final = 10.0  # how often sites are polled where time is taken: as a control site


def run(times: int = 20, kills: int | None = None, seed: int = 1) -> dict[str, object]:
    """Give ``times`` orders under each fault of the line, and kill the program at each step.

    Args:
        times: orders a fault, and orders whose time is taken.
        kills: kills a step, as many as ``times`` where it is not said; 0 for none, and no times
            are taken then.
        seed: of every chance in it.

    Returns:
        ``false_done``: confirmed though the station does not hold it, or never executed the
        pulse; ``doubled``: executed more than once; ``lost``: without an end or a record;
        ``early``: bytes were out before the row said so; all of them by faults and kills together.
        ``faults`` and ``killed``: the same by fault and by the moment of the kill, with how the
        orders ended. ``kills`` of them were proven to strike at their moment; ``killed_over``:
        those that struck as the order had ended. ``slow_starts``: starts that took too long and
        were repeated. ``kills_s``: how long all kills took.
        ``confirm_to_read_back_ms_p50`` and ``_p99``: from the stored order to its read-back, on
        a line of 9600 baud with two sites polled every 10 s; ``read_back`` how many of them were.

    """
    with tempfile.TemporaryDirectory() as folder:
        faults = {fault: try_fault(fault, times, seed, Path(folder)) for fault in FAULTS}
    each, begun_s = times if kills is None else kills, time.monotonic()
    killed = kill_between(each, seed) if each else Kills()
    kills_s = time.monotonic() - begun_s
    taken = latencies_ms(times, seed) if each else []
    struck = killed.by_moment
    tallies: list[Tally | Killed] = [*faults.values(), *struck.values(), killed.missed]
    return {
        "times": times,
        "kills": sum(one.kills for one in struck.values()),
        "false_done": sum(one.false_done for one in tallies),
        "doubled": sum(one.doubled for one in tallies),
        "lost": sum(one.lost for one in tallies),
        "early": sum(one.early for one in (*struck.values(), killed.missed)),
        "read_back": len(taken),
        "confirm_to_read_back_ms_p50": _percentile(taken, 50),
        "confirm_to_read_back_ms_p99": _percentile(taken, 99),
        "faults": {name: vars(one) for name, one in faults.items()},
        "killed": {moment.value: vars(one) for moment, one in struck.items() if each},
        "killed_over": vars(killed.missed),
        "slow_starts": killed.slow_starts,
        "kills_s": round(kills_s, 1),
    }


def latencies_ms(times: int, seed: int) -> list[float]:
    """Return how long orders took from being stored to being read back [ms], all confirmed."""
    found: list[float] = []
    with tempfile.TemporaryDirectory() as folder:
        field = Field(Path(folder), USUAL_S)
        with field.running():
            chance = Random(seed)
            for n in range(times):
                is_on = Wanted(OrderKind.ON, 1.0) if n % 2 == 0 else Wanted(OrderKind.OFF, 0.0)
                time.sleep(0.5 * chance.random())  # anywhere in the round of polls
                taken_ms = _taken_ms(field, f"plain-{n}", is_on)
                found += [] if taken_ms is None else [taken_ms]
    return found


def _taken_ms(field: Field, key: str, wanted: Wanted) -> float | None:
    """Return how long an order took to its read-back; None where it was not read back."""
    field.make(key, "PUMP", wanted)
    field.until(lambda: field.is_over(key))
    order, _ = field.order(key)
    if order is None:
        return None
    field.until_known(order.state_ms)
    return float(order.readback_ms - order.made_ms) if order.readback_ms is not None else None


def _percentile(taken: Iterable[float], share: float) -> float | None:
    some = list(taken)
    return round(float(np.percentile(some, share)), 1) if some else None
