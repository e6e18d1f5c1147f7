"""Figures of findings against polls made by hand: what a line holds, where it breaks, its marks."""

from collections.abc import Iterator
from datetime import UTC
from pathlib import Path

import numpy as np
import plotly.graph_objects as go
import pytest
from tests.routes.conftest import NOW_MS
from tests.routes.evidence_world import (
    DAY,
    GARBLED,
    GOOD,
    HOUR,
    LATER,
    LOST,
    MINUTE,
    Evidence,
    evidence_world,
    shown,
    station,
)

from tallymast.domain.health.diagnosis.model import Shown
from tallymast.domain.health.nights import Night, day_number
from tallymast.routes.evidence_figure import DASHES, SYMBOLS, trace
from tallymast.routes.evidence_picture import Line, Pane, Picture
from tallymast.routes.evidence_spark import scale_of
from tallymast.storage.nights import keep_nights


@pytest.fixture
def evidence(tmp_path: Path) -> Iterator[Evidence]:
    with evidence_world(tmp_path) as made:
        yield made


def hour(n: int) -> int:
    """The beginning of the hour n hours before 10:00."""
    return NOW_MS - n * HOUR


@pytest.mark.parametrize("kind", Shown)
def test_plotly_itself_takes_every_figure(evidence: Evidence, kind: Shown) -> None:
    evidence.polls(1, [(hour(n), GOOD, station()) for n in range(8, 0, -1)])
    evidence.polls(2, [(hour(n), GOOD, station()) for n in range(8, 0, -1)])
    tags = ("LVL",) if kind is Shown.POINT else ()
    chart = shown(kind, tags=tags, marks=((hour(4), "here"),), levels=((14, "a"), (18, "b")))
    found = evidence.figure(evidence.name(chart, (1, 2)))
    whole = go.Figure(found)  # raises where a name or a value is not Plotly's
    assert len(whole.data) == len(found["data"]) >= 2
    assert all(len(trace.x) == len(trace.y) for trace in whole.data)


def test_the_signal_stands_over_first_try_on_one_axis_and_its_gap_stays_one(
    evidence: Evidence,
) -> None:
    made = [(hour(4), GOOD, station(dbm=-80)), (hour(4) + MINUTE, LATER, station(dbm=-82))]
    made += [(hour(3) + MINUTE, LOST, b""), (hour(2), GOOD, station(dbm=-98))]
    evidence.polls(1, made)
    found = evidence.figure(
        evidence.name(shown(Shown.SIGNAL, 4 * HOUR, marks=((hour(2), "fell 17 dB"),)))
    )
    signal, first = found["data"]
    # 06:00 holds -80 and -82, 07:00 a poll without an answer, 08:00 one reading, 09:00 nothing.
    assert signal["y"] == [-81.0, None, -98.0, None]
    assert signal["x"][0] == "2026-03-08T06:30:00"  # hours stand at their middle
    assert first["y"] == [50.0, 0.0, 100.0]
    assert (signal["xaxis"], first["xaxis"]) == ("x", "x")
    assert (signal["yaxis"], first["yaxis"]) == ("y", "y2")
    layout = found["layout"]
    assert [layout[one]["title"]["text"] for one in ("yaxis", "yaxis2")] == ["dBm", "%"]
    assert layout["yaxis2"]["domain"][1] < layout["yaxis"]["domain"][0]
    (mark,) = [one for one in layout["shapes"] if one["name"] == "mark"]
    assert mark["x0"] == mark["x1"] == "2026-03-08T08:00:00"
    assert "fell 17 dB" in [one["text"] for one in layout["annotations"]]


def test_hours_nobody_asked_in_part_a_line_of_contact(evidence: Evidence) -> None:
    evidence.polls(
        1,
        [
            (hour(6), GOOD, station()),
            (hour(6) + MINUTE, LATER, station()),
            (hour(6) + 2 * MINUTE, LOST, b""),
            (hour(6) + 3 * MINUTE, GOOD, station()),
            (hour(2), LOST, b""),
        ],
    )
    first, answered = evidence.figure(evidence.name(shown(Shown.CONTACT)))["data"]
    assert first["y"] == [50.0, None, 0.0]  # 2 of 4; nothing asked; none of 1
    assert answered["y"] == [75.0, None, 0.0]
    assert first["hovertext"] == ["of 4", "of 0", "of 1"]
    assert first["line"]["dash"] != answered["line"]["dash"]


def test_a_value_without_neighbours_is_a_dot(evidence: Evidence) -> None:
    evidence.polls(1, [(hour(6), GOOD, station()), (hour(2), GOOD, station())])
    signal = evidence.figure(evidence.name(shown(Shown.SIGNAL)))["data"][0]
    assert [size for size, y in zip(signal["marker"]["size"], signal["y"], strict=True) if y] == [
        5,
        5,
    ]


def test_hours_of_the_day_before_and_since_with_the_window_shaded(evidence: Evidence) -> None:
    before = [(hour(48), GOOD, station()), (hour(48) + MINUTE, GOOD, station())]
    since = [(hour(24), LOST, b""), (hour(24) + MINUTE, GOOD, station())]
    since += [(hour(3), GOOD, station())]
    evidence.polls(1, before + since)
    chart = shown(Shown.DAY, 30 * HOUR, levels=((9.5, "from"), (14, "to")))
    found = evidence.figure(evidence.name(chart, since_ms=hour(30)))
    bars, line = found["data"]
    assert (bars["type"], line["type"]) == ("bar", "scatter")
    # 24 h before 10:00 is 10:00: one of two lost since, none of two before. 07:00: none of one.
    assert [bars["y"][n] for n in (10, 7)] == [50.0, 0.0]
    assert bars["y"].count(None) == 22
    assert line["y"][10] == 0.0
    assert line["y"].count(None) == 23
    assert bars["x"][10] == 10.5
    (window,) = [one for one in found["layout"]["shapes"] if one["name"] == "window"]
    assert (window["x0"], window["x1"]) == (9.5, 14)
    assert found["layout"]["xaxis"]["title"]["text"] == "hour of the local day"


def test_a_window_over_midnight_is_shaded_at_both_ends(evidence: Evidence) -> None:
    evidence.polls(1, [(hour(3), LOST, b"")])
    chart = shown(Shown.DAY, levels=((22, "from"), (4, "to")))
    shapes = evidence.figure(evidence.name(chart))["layout"]["shapes"]
    assert [(one["x0"], one["x1"]) for one in shapes] == [(0, 4), (22, 24)]


def test_garbled_and_refused_polls_are_counted_by_hour(evidence: Evidence) -> None:
    evidence.polls(
        1, [(hour(5), GARBLED, b""), (hour(5) + MINUTE, GARBLED, b""), (hour(3), GOOD, station())]
    )
    evidence.refuse(1, hour(3) + MINUTE)
    found = evidence.figure(evidence.name(shown(Shown.GARBLED)))
    garbled, refused = found["data"]
    assert garbled["x"] == ["2026-03-08T05:30:00", "2026-03-08T07:30:00"]
    assert (garbled["y"], refused["y"]) == ([2.0, 0.0], [0.0, 1.0])
    assert found["layout"]["yaxis"]["title"]["text"] == "polls an hour"
    assert garbled["marker"]["pattern"]["shape"] != refused["marker"]["pattern"]["shape"]


def test_a_point_shows_every_reading_its_limits_and_its_last_good_one(evidence: Evidence) -> None:
    # 4000..20000 is 0..5 m: 12000 is 2.5 m, 15200 is 3.5 m.
    made = [(hour(3), GOOD, station(12_000)), (hour(3) + MINUTE, LOST, b"")]
    made += [(hour(3) + 2 * MINUTE, GOOD, station(15_200)), (hour(1), GOOD, station(0))]
    evidence.polls(1, made)
    found = evidence.figure(evidence.name(shown(Shown.POINT, tags=("LVL",))))
    (line,) = found["data"]
    assert line["y"][:3] == [2.5, None, 3.5]
    layout = found["layout"]
    assert layout["yaxis"]["title"]["text"] == "m"
    assert [one["y0"] for one in layout["shapes"] if one["name"] == "level"] == [1.0, 4.5]


def test_the_last_good_value_is_marked_where_none_came_since(evidence: Evidence) -> None:
    evidence.polls(1, [(hour(3), GOOD, station()), (hour(3) + MINUTE, LOST, b"")])
    layout = evidence.figure(evidence.name(shown(Shown.POINT, tags=("LVL",))))["layout"]
    (mark,) = [one for one in layout["shapes"] if one["name"] == "mark"]
    assert mark["x0"] == "2026-03-08T07:00:00"
    evidence.polls(1, [(NOW_MS - MINUTE, GOOD, station())])
    layout = evidence.figure(evidence.named[0])["layout"]
    assert not [one for one in layout["shapes"] if one["name"] == "mark"]


def test_a_long_span_of_a_point_is_a_band_by_hour(evidence: Evidence) -> None:
    evidence.polls(1, [(hour(3), GOOD, station(12_000)), (hour(3) + MINUTE, GOOD, station(15_200))])
    data = evidence.figure(evidence.name(shown(Shown.POINT, 4 * DAY, tags=("LVL",))))["data"]
    known = {one["name"]: [y for y in one["y"] if y is not None] for one in data}
    assert known == {"highest": [3.5], "lowest": [2.5], "hourly mean": [3.0]}
    assert data[0]["y"].count(None) == 4 * 24 - 1


def test_volts_stand_between_the_sites_own_levels_with_its_dawns(evidence: Evidence) -> None:
    evidence.polls(
        1, [(hour(3), GOOD, station(volts=1240)), (hour(3) + MINUTE, GOOD, station(volts=1260))]
    )
    today = day_number(np.datetime64("2026-03-08").astype(object))
    night = Night(today, 12.31, 12.2, hour(5), 13.0, hour(12), 100)
    with evidence.world.database.writing() as conn:
        keep_nights(conn, evidence.id(1), [night])
    found = evidence.figure(evidence.name(shown(Shown.VOLTS)))
    mean, least, dawns = found["data"]
    assert [y for y in mean["y"] if y is not None] == [12.5]
    assert [y for y in least["y"] if y is not None] == [12.4]
    assert dawns["y"] == [12.31]
    assert dawns["x"] == ["2026-03-08T05:00:00"]  # where nobody wrote down where it stands
    levels = [one["y0"] for one in found["layout"]["shapes"] if one["name"] == "level"]
    # The network file's own; absorption of an AGM block: 14.2 V, common practice.
    assert levels == [11.6, 12.7, 14.2]
    words = [one["text"] for one in found["layout"]["annotations"]]
    assert words == ["load disconnect", "load back", "usual absorption"]


def test_totals_stand_over_the_restart_counter_with_restarts_marked(evidence: Evidence) -> None:
    made = [(hour(5), 900, 3), (hour(4), 950, 3), (hour(3), 10, 4), (hour(2), 20, 4)]
    evidence.polls(1, [(at, GOOD, station(total=t, restarts=r)) for at, t, r in made])
    found = evidence.figure(evidence.name(shown(Shown.COUNTS)))
    total, restarts = found["data"]
    assert [y for y in total["y"] if y is not None] == [900, 950, 10, 20]
    assert [y for y in restarts["y"] if y is not None] == [3, 3, 4, 4]
    assert total["line"]["shape"] == "hv"
    (mark,) = [one for one in found["layout"]["shapes"] if one["name"] == "mark"]
    assert mark["x0"] == "2026-03-08T07:30:00"  # 07:00 is the first hour with the new count


def test_four_sites_at_most_told_apart_by_dash_symbol_and_word(evidence: Evidence) -> None:
    for number in range(1, 6):
        evidence.polls(number, [(hour(3), GOOD, station(dbm=-70 - number))])
    one = evidence.name(shown(Shown.SIGNAL), (1, 2, 3, 4, 5))
    signals = [trace for trace in evidence.figure(one)["data"] if trace["yaxis"] == "y"]
    assert [trace["name"] for trace in signals] == [
        "Quill Tank",
        "Osier &lt;Pond&gt;",  # Plotly reads names as mark-up
        "Teal Pond",
        "Cress Spring",
    ]
    assert [trace["line"]["dash"] for trace in signals] == list(DASHES)
    assert [trace["marker"]["symbol"] for trace in signals] == list(SYMBOLS)
    page = evidence.page(one)
    for words in ("solid, round dots", "dotted, squares", "dashed, triangles", "diamonds"):
        assert words in page


def test_panes_that_are_compared_share_one_scale(evidence: Evidence) -> None:
    evidence.polls(1, [(hour(3), LOST, b""), (hour(3) + MINUTE, GOOD, station())])
    evidence.polls(2, [(hour(3), GOOD, station())])
    layout = evidence.figure(evidence.name(shown(Shown.DAY), (1, 2)))["layout"]
    assert layout["yaxis"]["range"] == layout["yaxis2"]["range"] == [0, 54.0]  # 1.08 x 50 %


def test_a_chart_may_end_before_now(evidence: Evidence) -> None:
    evidence.polls(1, [(hour(n), GOOD, station(dbm=-80 - n)) for n in range(6, 0, -1)])
    found = evidence.figure(evidence.name(shown(Shown.SIGNAL, 6 * HOUR, to_ms=hour(3))))
    assert found["data"][0]["y"] == [-86.0, -85.0, -84.0]
    assert found["layout"]["xaxis"]["range"] == ["2026-03-08T04:00:00", "2026-03-08T07:00:00"]


def test_a_long_chart_of_many_lines_stays_small_and_keeps_its_dips() -> None:
    values = -80.0 - np.arange(1440) % 7
    values[700:720] = np.nan
    values[1000] = -99.0
    line = Line("Quill Tank", np.arange(1440) * HOUR, values)
    picture = Picture("Signal", (Pane("Signal", "dBm", (line,) * 8),), (0, 1440 * HOUR))
    drawn = trace(line, "y", picture, UTC, several=True)
    assert 300 < len(drawn["y"]) <= 562  # 4500 places for eight lines
    assert -99.0 in drawn["y"]
    assert None in drawn["y"]
    assert len(drawn["x"]) == len(drawn["y"]) == len(drawn["marker"]["size"])


def test_a_small_drawing_of_shares_never_goes_above_the_whole() -> None:
    at = np.array([0.0, 1.0])
    pane = Pane("Answered", "%", (Line("Answered", at, np.array([100.0, 100.0])),))
    assert scale_of(pane) == (98.0, 100.0)
