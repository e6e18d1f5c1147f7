"""A filled past tells what its stations answered, as the live simulation does."""

import json
from typing import Any

import numpy as np
import pytest

from tallymast.domain.errors import ConfigError
from tallymast.domain.modbus.blocks import plan_blocks, site_layout
from tallymast.domain.model import Network, Outcome, Site, SiteLayout, Table
from tallymast.domain.record.chunks import PollColumns
from tallymast.simulator.fault_file import read_faults
from tallymast.simulator.history import RETRY_AFTER_S, Past, World
from tallymast.simulator.past_truth import past_truth
from tallymast.simulator.site_model import SiteModel
from tallymast.simulator.stations import Station
from tallymast.simulator.truth import Fate, TruthLine, packed

START_MS = 1_749_513_600_000  # 2025-06-10 00:00 UTC
HOURS_MS = 6 * 3_600_000


def laid_out(site: Site) -> SiteLayout:
    ids = {point.tag: n for n, point in enumerate(site.points, start=1)}
    blocks = plan_blocks(site.points, site.max_words, site.spare)
    return site_layout(1, 1, site.points, ids, blocks)


def told(network: Network, key: str, text: str = "") -> tuple[Past, PollColumns, list[Any]]:
    """Return a site's past, its polls of six hours, and what is told of them."""
    site = next(one for one in network.sites if one.key == key)
    faults = read_faults(text, "faults.toml", network, START_MS)
    past = Past(World(network, 7, faults), site, laid_out(site))
    columns = past.polls(START_MS, START_MS + HOURS_MS)
    return past, columns, [json.loads(line) for line in past_truth(past, columns).splitlines()]


def fault(kind: str, site: str, more: str = "") -> str:
    return f'[[fault]]\nkind = "{kind}"\nsite = "{site}"\n{more}\n'


def in_ms(line: dict[str, Any]) -> int:
    return int(np.datetime64(line["at"].removesuffix("Z"), "ms").astype(np.int64))


@pytest.mark.parametrize("key", ["tank", "meter"])
def test_each_line_is_what_a_live_station_answers_then(network: Network, key: str) -> None:
    past, columns, lines = told(network, key, fault("lost", key, "rate = 0.2"))
    site = past.site
    assert {line["fate"] for line in lines} == {"sent", "lost"}
    station = Station(site, SiteModel(network, site, 7, read_faults("", "", network, START_MS)))
    for line in lines[::7]:
        table = Table(line["table"])
        words = station.read(table, line["start"], line["count"], in_ms(line) / 1000)
        assert line["words"] == (packed(words) if table.holds_bits else words)
    answered = columns.outcome <= Outcome.RETRIED
    sent = sum(line["fate"] == "sent" for line in lines)
    assert sent == answered.sum() * len(past.layout.blocks)


def test_the_text_is_the_live_simulations(network: Network) -> None:
    past, columns, lines = told(network, "meter")
    line = lines[3]
    live = TruthLine(
        in_ms(line),
        "mast",
        9,
        {"coil": 1, "discrete": 2, "holding": 3, "input": 4}[line["table"]],  # V1.1b3, clause 6
        Table(line["table"]),
        line["start"],
        line["count"],
        line["words"],
        Fate.SENT,
    )
    assert past_truth(past, columns).splitlines()[3] == live.as_json()


def test_lines_ascend_in_time(network: Network) -> None:
    _, _, lines = told(network, "tank", fault("lost", "tank", "rate = 0.3"))
    times = [in_ms(line) for line in lines]
    assert times == sorted(times)


@pytest.mark.parametrize(
    ("kind", "more", "fate"),
    [
        ("lost", "rate = 0.3", "lost"),
        ("late", "rate = 0.3\nextra_s = 3", "late"),
        ("noise", "rate = 0.3", "garbled"),
    ],
)
def test_every_try_in_vain_is_told_with_its_fate(
    network: Network, kind: str, more: str, fate: str
) -> None:
    past, columns, lines = told(network, "meter", fault(kind, "meter", more))
    vain = [line for line in lines if line["fate"] != "sent"]
    answered = columns.outcome <= Outcome.RETRIED
    assert {line["fate"] for line in vain} == {fate}
    # Each poll's tries, less the one that brought the answer.
    assert len(vain) == (columns.tries - answered).sum() > 50
    step_ms = 1000 * (past.site.reply_timeout_s + RETRY_AFTER_S)
    # What a retry answered is stamped when it was: so many tries after the poll began.
    late = np.where(columns.outcome == Outcome.RETRIED, columns.tries - 1, 0)
    begun = {at + n * step_ms for at in (columns.at_ms - late * step_ms).tolist() for n in range(3)}
    assert {in_ms(line) for line in vain} <= begun
    assert (np.diff(columns.at_ms) > 0).all()


def test_a_retry_is_answered_and_stamped_after_the_try_that_was_not(network: Network) -> None:
    # Meter is polled every minute; dead until half a second after a poll has begun.
    past, columns, _ = told(network, "meter")
    begun = int(columns.at_ms[10])
    assert columns.outcome[10] == Outcome.FIRST_TRY
    end = np.datetime64(begun + 500, "ms")
    text = fault("dead", "meter", f'to = "{end}Z"')
    _, late, lines = told(network, "meter", text)
    first = int(np.flatnonzero(late.outcome <= Outcome.RETRIED)[0])
    step_ms = round(1000 * (past.site.reply_timeout_s + RETRY_AFTER_S))
    assert (late.outcome[first], late.tries[first]) == (Outcome.RETRIED, 2)
    assert int(late.at_ms[first]) == begun + step_ms == in_ms(lines[0])
    station = Station(past.site, SiteModel(network, past.site, 7))
    table, count = Table(lines[0]["table"]), lines[0]["count"]
    then = station.read(table, lines[0]["start"], count, (begun + step_ms) / 1000)
    assert lines[0]["words"] == (packed(then) if table.holds_bits else then)


def test_a_station_that_does_not_answer_tells_nothing(network: Network) -> None:
    _, columns, lines = told(network, "tank", fault("dead", "saddle"))  # its repeater
    assert (columns.outcome == Outcome.NO_ANSWER).all()
    assert len(columns) > 10
    assert lines == []


def test_refusals_are_no_words(network: Network) -> None:
    _, columns, lines = told(network, "meter", fault("refused", "meter", "code = 2"))
    assert (columns.outcome <= Outcome.RETRIED).all()
    assert lines == []


def test_a_converter_drops_what_its_line_garbled(network: Network) -> None:
    from dataclasses import replace

    from tallymast.domain.model import Transport

    (gateway,) = network.gateways
    over_tcp = replace(network, gateways=(replace(gateway, transport=Transport.MODBUS_TCP),))
    _, columns, lines = told(over_tcp, "meter", fault("noise", "meter", "rate = 0.9"))
    assert {line["fate"] for line in lines} == {"sent", "lost"}
    assert Outcome.GARBLED not in columns.outcome


def test_a_record_that_cannot_be_written_is_refused(tmp_path: Any) -> None:
    from tallymast.simulator.truth import Truth

    with pytest.raises(ConfigError, match="cannot be written"):
        Truth(tmp_path / "none" / "truth.jsonl")
