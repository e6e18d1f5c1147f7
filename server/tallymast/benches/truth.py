"""Whether every word the stations served in a filled past comes back by the API, and right.

The demo's network and its troubles are filled into a new database together with the
simulator's own record. Then every point is asked for by the JSON API, page by page, and what
it says is compared with that record, which is decoded by another hand (second_opinion.py).
"""

import asyncio
import json
import os
import re
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import groupby
from multiprocessing import get_context
from pathlib import Path

import httpx
import numpy as np

from tallymast import assets, running, wiring
from tallymast.benches.second_opinion import Value, is_same, shown_of
from tallymast.domain import network_file
from tallymast.domain.errors import ConfigError
from tallymast.domain.model import Point, Site
from tallymast.routes.app import create_app
from tallymast.settings import Settings
from tallymast.storage.engine import Database

NETWORK, FAULTS = "ombrel-basin.toml", "ombrel-basin-troubles.toml"
DAY_MS = 86_400_000
END_MS = 1_763_164_800_000  # 2025-11-15 00:00 UTC; the clocks there went back on the 2nd
ASKED_MS = 14 * DAY_MS  # Ours: a minute's polls of so long a span take more than one page

_WHOSE = re.compile(rb'"gateway": ?"([^"]*)", ?"unit": ?(\d+)')

_NOT_ASKED, _RIGHT, _WRONG, _MISSING = range(4)  # of a served word; the worst of its points counts


@dataclass
class Tally:
    """What was compared.

    Attributes:
        words: words served that at least one point reads.
        compared: of these, words whose readings were there.
        missing: words without a reading.
        wrong: words with a reading that says something else.
        invented: readings of which the record knows nothing.
        readings: readings compared.
        spare: words served that no point reads.
        kept_back: polls the stations answered in vain.

    """

    words: int = 0
    compared: int = 0
    missing: int = 0
    wrong: int = 0
    invented: int = 0
    readings: int = 0
    spare: int = 0
    kept_back: int = 0
    first: list[str] = field(default_factory=list)  # the first mistakes, in sentences

    def add(self, other: "Tally") -> None:
        """Take in what was compared of another site."""
        for key, value in vars(other).items():
            setattr(self, key, getattr(self, key) + value)


def run(days: int = 30, seed: int = 1) -> dict[str, object]:
    """Fill ``days`` of the demo's network and compare.

    Returns:
        ``words``, ``compared``, ``missing``, ``wrong``, ``invented``, ``readings`` and
        ``spare`` as in ``Tally``; ``fill_s`` and ``compare_s`` how long both took.

    Raises:
        ConfigError: no days.

    """
    if days < 1:
        raise ConfigError("bench truth needs at least one day.")
    network, faults = (assets.demo_data() / name for name in (NETWORK, FAULTS))
    with tempfile.TemporaryDirectory() as folder:
        began = time.monotonic()
        span = (END_MS - days * DAY_MS, END_MS)
        truth = filled(Path(folder), network, span, seed, faults)
        middle = time.monotonic()
        tally = compared(Path(folder), network, truth, span, os.cpu_count() or 1)
        ended = time.monotonic()
    for line in tally.first:
        print(line, file=sys.stderr)
    shown = {key: value for key, value in vars(tally).items() if key != "first"}
    return {**shown, "fill_s": round(middle - began, 1), "compare_s": round(ended - middle, 1)}


def filled(
    folder: Path, network: Path, span: tuple[int, int], seed: int, faults: Path | None = None
) -> Path:
    """Fill a database in ``folder``; return the file with the simulator's own record."""
    truth = folder / "truth.jsonl"
    settings = Settings(data_dir=folder, database_url="")
    running.fill(settings, network, seed, faults, span, True, truth, span[1])
    return truth


def compared(
    folder: Path, network_path: Path, truth: Path, span: tuple[int, int], workers: int = 1
) -> Tally:
    """Compare everything the API says of a span with the simulator's record.

    Args:
        folder: where the database lies.
        network_path: the network's file.
        truth: the record, a site's lines together.
        span: UTC milliseconds, the end not included.
        workers: how many processes share the sites; 1: this one alone.

    """
    _, network = network_file.read(running.read_text(network_path), network_path.name)
    lines = lines_of_sites(truth)
    work = [
        (folder, network_path, one.key, truth, lines.get((one.gateway, one.unit)), span)
        for one in network.sites
    ]
    if workers == 1:
        return _joined(map(_one_site, work), len(work))
    with ProcessPoolExecutor(workers, get_context("spawn")) as pool:
        return _joined(pool.map(_one_site, work), len(work))


def _joined(tallies: Iterable[Tally], count: int) -> Tally:
    whole = Tally()
    for n, tally in enumerate(tallies, start=1):
        print(f"\rcompared {n} of {count} sites", end="", file=sys.stderr)
        whole.add(tally)
    print(file=sys.stderr)
    return whole


def lines_of_sites(truth: Path) -> dict[tuple[str, int], range]:
    """Return which bytes of the record are a site's, by gateway and unit address."""
    found: dict[tuple[str, int], range] = {}
    place = 0
    with truth.open("rb") as file:
        for (gateway, unit), some in groupby(file, key=_whose):
            begin, place = place, place + sum(map(len, some))
            if (gateway, unit) in found:
                raise ConfigError(f"{truth}: the lines of {gateway} {unit} do not stand together.")
            found[gateway, unit] = range(begin, place)
    return found


def _whose(line: bytes) -> tuple[str, int]:
    """Return gateway and unit address of a line, without reading all of it."""
    named = _WHOSE.search(line)
    if named is None:
        raise ConfigError(f"This is no line of a simulator's record: {line[:80]!r}")
    return named[1].decode(), int(named[2])


Work = tuple[Path, Path, str, Path, range | None, tuple[int, int]]


def _one_site(work: Work) -> Tally:
    """Compare one site, in a process of its own."""
    folder, network_path, key, truth, lines, span = work
    _, network = network_file.read(running.read_text(network_path), network_path.name)
    site = next(one for one in network.sites if one.key == key)
    with running.opened(Settings(data_dir=folder, database_url=""), create=False) as database:
        return asyncio.run(_compared(database, site, truth, lines, span))


async def _compared(
    database: Database, site: Site, truth: Path, lines: range | None, span: tuple[int, int]
) -> Tally:
    app = create_app(wiring.services(wiring.assemble(database, "web"), "bench"))
    transport, tally = httpx.ASGITransport(app=app), Tally()
    blocks = _served_by(truth, lines or range(0), tally)
    async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:
        for point in site.points:
            said = await _said(client, site, point, span)
            _compare(tally, site, point, blocks, said)
    for block in blocks:
        block.add_to(tally)
    return tally


# --- the record -------------------------------------------------------------------------


@dataclass
class Served:
    """All answers of one site to one request; ``found`` tells what came of each word."""

    table: str
    start: int
    count: int
    at: list[str]
    words: list[list[int]]
    found: np.ndarray

    def words_of(self, point: Point) -> tuple[slice, Callable[[Sequence[int]], tuple[int, ...]]]:
        """Return where a point's words lie, and how to take them from an answer's."""
        offset = point.register - self.start
        if point.table.holds_bits:
            place, bit = divmod(offset, 16)
            return slice(place, place + 1), lambda words: (words[place] >> bit & 1,)
        where = slice(offset, offset + point.length)
        return where, lambda words: tuple(words[where])

    def holds(self, point: Point) -> bool:
        """Whether a point's words are all in here."""
        ends = point.register + point.length
        same = self.table == point.table.value
        return same and self.start <= point.register and ends <= self.start + self.count

    def add_to(self, tally: Tally) -> None:
        """Add what came of the words."""
        asked = self.found != _NOT_ASKED
        tally.words += int(asked.sum())
        tally.spare += int((~asked).sum())
        tally.missing += int((self.found == _MISSING).sum())
        tally.wrong += int((self.found == _WRONG).sum())
        tally.compared += int((asked & (self.found != _MISSING)).sum())


def _served_by(truth: Path, lines: range, tally: Tally) -> list[Served]:
    """Return a site's answers by what was asked; those that never arrived are only counted."""
    asked: dict[tuple[str, int, int], list[tuple[str, list[int]]]] = {}
    with truth.open("rb") as file:
        file.seek(lines.start)
        while file.tell() < lines.stop:
            line = json.loads(file.readline())
            if line["fate"] == "sent":
                what = (line["table"], line["start"], line["count"])
                asked.setdefault(what, []).append((line["at"], line["words"]))
            else:
                tally.kept_back += 1
    return [_served(what, some) for what, some in asked.items()]


def _served(what: tuple[str, int, int], answers: Sequence[tuple[str, list[int]]]) -> Served:
    at, words = [at for at, _ in answers], [words for _, words in answers]
    found = np.full((len(words), len(words[0])), _NOT_ASKED, dtype=np.int8)
    return Served(*what, at, words, found)


# --- the API ----------------------------------------------------------------------------

Said = dict[str, tuple[Value, Value]]


async def _said(client: httpx.AsyncClient, site: Site, point: Point, span: tuple[int, int]) -> Said:
    """Return raw and value of every reading by its instant; gaps are left out."""
    said: Said = {}
    for from_ms in range(span[0], span[1], ASKED_MS):
        begin: str | None = _iso(from_ms)
        end = _iso(min(span[1], from_ms + ASKED_MS))
        while begin is not None:
            answer = await client.get(
                f"/api/v1/sites/{site.key}/points/{point.tag}/readings",
                params={"from": begin, "to": end, "resolution": "raw"},
            )
            answer.raise_for_status()
            page = answer.json()
            for item in page["items"]:
                if item["quality"] != "none" or item["raw"] is not None:
                    said[item["at"]] = (item["raw"], item["value"])
            begin = page["next"]
    return said


def _compare(tally: Tally, site: Site, point: Point, blocks: Sequence[Served], said: Said) -> None:
    """Compare one point's readings with what the station served."""
    expected: dict[tuple[int, ...], tuple[Value, Value]] = {}
    told: set[str] = set()
    for block in blocks:
        if not block.holds(point):
            continue
        where, taken = block.words_of(point)
        came = np.zeros((len(block.at), 1), dtype=np.int8)
        for row, (at, answer) in enumerate(zip(block.at, block.words, strict=True)):
            words = taken(answer)
            if words not in expected:
                expected[words] = shown_of(point, words)
            came[row] = verdict = _judged(said.get(at), expected[words])
            if verdict != _RIGHT and len(tally.first) < 10:
                tally.first.append(
                    f"{site.key} {point.tag} {at}: served {words}, which is {expected[words]}; "
                    f"the API says {said.get(at)}"
                )
        block.found[:, where] = np.maximum(block.found[:, where], came)
        tally.readings += int((came != _MISSING).sum())
        told.update(block.at)
    tally.invented += len(said.keys() - told)


def _judged(said: tuple[Value, Value] | None, expected: tuple[Value, Value]) -> int:
    if said is None:
        return _RIGHT if expected[0] is None else _MISSING  # what makes no number is told as a gap
    if said == expected and type(said[0]) is type(expected[0]):
        return _RIGHT
    agree = is_same(said[0], expected[0]) and is_same(said[1], expected[1])
    return _RIGHT if agree else _WRONG


def _iso(at_ms: int) -> str:
    return datetime.fromtimestamp(at_ms / 1000, UTC).isoformat()
