"""Orders against everything that may go wrong on the way to a station and back.

Faults of the line are tried in virtual time (``order_faults.py``), kills of the poller and the
time from confirming to the read-back with real processes (``order_kills.py``).
"""

import tempfile
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from tallymast.benches.order_faults import try_fault
from tallymast.benches.order_kills import kill_between, latencies_ms
from tallymast.benches.order_station import FAULTS

KILLS_MOST = 10  # of each kind, unless more are asked for: one takes some seconds


def run(times: int = 20, kills: int = KILLS_MOST, seed: int = 1) -> dict[str, object]:
    """Give ``times`` orders under each fault of the line, and kill the poller at each step.

    Args:
        times: orders a fault, and orders whose time is taken.
        kills: kills a step at most; 0 for none, and no times are taken then.
        seed: of every chance in it.

    Returns:
        ``false_done``: confirmed though the station does not hold it, or never executed the
        pulse; ``doubled``: executed more than once; ``lost``: without an end or a record; all of
        them by faults and kills together. ``faults`` and ``killed``: the same by fault and by
        the step that was followed by the kill, with how the orders ended.
        ``confirm_to_read_back_ms_p50`` and ``_p99``: from the stored order to its read-back, on
        a line of 9600 baud with two sites polled every second.

    """
    with tempfile.TemporaryDirectory() as folder:
        faults = {fault: try_fault(fault, times, seed, Path(folder)) for fault in FAULTS}
    each = min(kills, times)
    killed = kill_between(each, seed) if each else {}
    taken = latencies_ms(times, seed) if each else []
    tallies = [*faults.values(), *killed.values()]
    return {
        "times": times,
        "kills": sum(one.kills for one in killed.values()),
        "false_done": sum(one.false_done for one in tallies),
        "doubled": sum(one.doubled for one in tallies),
        "lost": sum(one.lost for one in tallies),
        "confirm_to_read_back_ms_p50": _percentile(taken, 50),
        "confirm_to_read_back_ms_p99": _percentile(taken, 99),
        "faults": {name: vars(one) for name, one in faults.items()},
        "killed": {name: vars(one) for name, one in killed.items()},
    }


def _percentile(taken: Iterable[float], share: float) -> float | None:
    some = list(taken)
    return round(float(np.percentile(some, share)), 1) if some else None
