"""A long run with random faults: memory, tasks, and whether every poll is accounted for.

The demo's network with a lively radio, in a process of its own, suffers dead sites, late, lost
and garbled answers and gateways that go away, at random times and for random spans; poller,
record and pages run as in `serve`, and a client loads pages now and then.
"""

import tempfile
import threading
import time
from pathlib import Path
from random import Random

import httpx

from tallymast import assets, beside, networks, wiring
from tallymast.benches.cycle import served
from tallymast.domain.model import Network, Outcome
from tallymast.domain.network_file import read
from tallymast.storage import comms
from tallymast.storage.engine import Database, open_database
from tallymast.storage.polls import polls_between

NETWORK = "ombrel-basin.toml"
KINDS = ("dead", "late", "lost", "noise", "shared-address", "power-cut", "interference")
SETTLED_AT = 0.25  # memory is compared from this share of the run on


def run(minutes: int = 30, seed: int = 1) -> dict[str, object]:
    """Run for some minutes.

    Returns:
        ``memory_mb`` at a quarter of the run and at its end, ``threads`` then, ``asked``,
        ``answered``, ``missed`` over all sites, ``adds_up`` whether the first is the sum of
        the others and of the recorded polls, and ``errors`` of pages.

    """
    with tempfile.TemporaryDirectory() as folder:
        path = assets.demo_data() / NETWORK
        network = read(path.read_text(encoding="utf-8"), path.name)[1]
        faults = Path(folder) / "faults.toml"
        faults.write_text(_faults(network, minutes, seed), encoding="utf-8")
        with beside.simulator(path, "--faults", str(faults), "--lively") as addresses:
            database = open_database(Path(folder) / "tallymast.sqlite3")
            try:
                networks.bring_network(database, path.read_text(encoding="utf-8"), path.name)
                parts = wiring.assemble(database, "all", addresses())
                with parts.running(), served(parts) as base:
                    found = _watched(base, minutes)
                return found | _accounted(database)
            finally:
                database.close()


def _faults(network: Network, minutes: int, seed: int) -> str:
    """Return troubles all over the run: one begins about every twenty seconds."""
    chance = Random(seed)
    text = []
    for _ in range(3 * minutes):
        begin = chance.uniform(0, 60 * minutes)
        span = f'from = "+{begin:.0f}s"\nto = "+{begin + chance.uniform(5, 120):.0f}s"\n'
        if chance.random() < 0.05:
            gateway = chance.choice(network.gateways).key
            text.append(f'[[fault]]\nkind = "gateway-down"\ngateway = "{gateway}"\n{span}')
            continue
        kind, site = chance.choice(KINDS), chance.choice(network.sites).key
        more = f"extra_s = {chance.uniform(0.5, 4.0):.1f}\n" if kind == "late" else ""
        rate = f"rate = {chance.uniform(0.2, 1.0):.2f}\n"
        text.append(f'[[fault]]\nkind = "{kind}"\nsite = "{site}"\n{rate}{more}{span}')
    return "\n".join(text)


def _watched(base: str, minutes: int) -> dict[str, object]:
    began, settled, errors, requests = time.monotonic(), None, 0, 0
    with httpx.Client(base_url=base, timeout=30) as client:
        while (passed := time.monotonic() - began) < 60 * minutes:
            for path in ("/", "/sites/rook-valve", "/gateways/long-scarp", "/api/v1/sites"):
                errors += client.get(path).status_code >= 500
                requests += 1
            if settled is None and passed > SETTLED_AT * 60 * minutes:
                settled = (_memory_mb(), threading.active_count())
            time.sleep(1.0)
    first = settled or (_memory_mb(), threading.active_count())
    return {
        "minutes": minutes,
        "memory_mb": [first[0], _memory_mb()],
        "threads": [first[1], threading.active_count()],
        "requests": requests,
        "errors": errors,
    }


def _memory_mb() -> float:
    """Return this process's resident memory now [MB]."""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return round(int(line.split()[1]) / 1024, 1)
    return 0.0


def _accounted(database: Database) -> dict[str, object]:
    """Return counts as the pages show them, against the recorded polls one by one."""
    now_ms = wiring.now_ms()
    from_ms = now_ms - 24 * 3_600_000
    asked = answered = missed = recorded = 0
    with database.reading() as connection:
        for site_id, counts in comms.counts(connection, from_ms, now_ms + 1).items():
            asked, answered = asked + counts.asked, answered + counts.answered
            missed += counts.no_answer + counts.garbled
            page = polls_between(connection, site_id, from_ms, now_ms + 1, 10_000_000)
            recorded += sum(one.outcome is not Outcome.GATEWAY_LOST for one in page.items)
    adds_up = asked == answered + missed == recorded
    return {"asked": asked, "answered": answered, "missed": missed, "adds_up": adds_up}
