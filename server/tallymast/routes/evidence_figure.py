"""Draws a finding's picture as a figure for the browser; colours are the page's own."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import tzinfo
from html import escape
from typing import Any, Final

import numpy as np

from tallymast.domain.thinning import kept
from tallymast.routes.charts import local_times
from tallymast.routes.evidence_marks import NOTE, Json, level, level_words, marks, title, window
from tallymast.routes.evidence_picture import (
    Drawn,
    Floats,
    Ints,
    Line,
    Pane,
    Picture,
    most_from_zero,
)

DASHES: Final = ("solid", "dot", "dash", "dashdot")
SYMBOLS: Final = ("circle", "square", "triangle-up", "diamond")
PATTERNS: Final = ("", "/", ".", "x")
ROLES: Final = ("main", "second", "third", "fourth")
_HEIGHT, _TOP, _BOTTOM = 165, 10, 34  # [px]: a pane, margins
_BETWEEN: Final = 0.16  # of a pane's height lies between two
_PLACES, _LEAST = 4500, 480  # ours: places of all lines together, and of each at least
_MANY: Final = 24  # ours: symbols on a line among others
_FEW: Final = 150  # ours: of so few values each has a dot


def figure(picture: Picture, zone: tzinfo) -> str:
    """Return a whole figure as JSON: panes over one shared axis, gaps as null."""
    from plotly.io.json import to_json_plotly  # late: the first chart pays for it, not the start

    panes = picture.panes
    domains = _domains(len(panes))
    traces, layout = [], _frame(picture, zone)
    for n, (pane, domain) in enumerate(zip(panes, domains, strict=True), start=1):
        number = "" if n == 1 else str(n)
        several = needs_symbols(pane)
        # The ends of a band first: what is drawn later lies over its ground.
        lines = sorted(pane.lines, key=lambda line: line.drawn is not Drawn.EDGE)
        traces += [trace(line, f"y{number}", picture, zone, several) for line in lines]
        layout[f"yaxis{number}"] = {**_axis(pane, domain), **_reach(pane, panes)}
        layout["shapes"] += [level(value, f"y{number}") for value, _ in pane.levels]
        layout["annotations"] += level_words(pane, f"y{number}")
        if len(panes) > 1:
            layout["annotations"].append(title(pane, domain[1]))
    return str(to_json_plotly({"data": traces, "layout": layout}))


def trace(line: Line, axis: str, picture: Picture, zone: tzinfo, several: bool) -> Json:
    """Return one line as Plotly draws it.

    Args:
        line: what of.
        axis: of values, ``y2``.
        picture: to which it belongs.
        zone: whose clock.
        several: whether symbols have to tell it from others.

    """
    keep = kept(line.values, max(_PLACES // sum(len(one.lines) for one in picture.panes), _LEAST))
    line = replace(line, at=line.at[keep], values=line.values[keep], of=_taken(line.of, keep))
    gaps = np.isnan(line.values)
    numbers = np.round(line.values, 3).tolist()
    made: Json = {
        "type": "bar" if line.drawn is Drawn.BARS else "scatter",
        "name": escape(line.name, quote=False),
        "x": _places(line, picture, zone),
        "y": [None if gap else one for one, gap in zip(numbers, gaps.tolist(), strict=True)],
        "xaxis": "x",
        "yaxis": axis,
        "meta": "edge" if line.drawn is Drawn.EDGE else ROLES[line.place],
        **_looks(line, several),
    }
    if line.of is not None:
        words = "over {} days" if picture.by_hour else "of {}"
        made["hovertext"] = [words.format(n) for n in line.of.tolist()]
    return made


def _taken(of: Ints | None, keep: Ints) -> Ints | None:
    return None if of is None else of[keep]


def _places(line: Line, picture: Picture, zone: tzinfo) -> list[Any]:
    if picture.by_hour:
        return list(line.at.tolist())
    return list(local_times(np.asarray(line.at, np.int64), zone)) if len(line.at) else []


def _looks(line: Line, several: bool) -> Json:
    if line.drawn is Drawn.BARS:
        return {"marker": {"pattern": {"shape": PATTERNS[line.place], "fillmode": "overlay"}}}
    if line.drawn is Drawn.DOTS:
        return {"mode": "markers", "marker": {"symbol": "circle", "size": 8}}
    if line.drawn is Drawn.EDGE:
        return {"mode": "lines", "connectgaps": False, "line": {"dash": "solid"}}
    shape = "hv" if line.drawn is Drawn.STEPS else "linear"
    return {
        "mode": "lines+markers",
        "connectgaps": False,
        "line": {"dash": DASHES[line.place], "shape": shape},
        "marker": {"symbol": SYMBOLS[line.place], "size": _sizes(line.values, several)},
    }


def needs_symbols(pane: Pane) -> bool:
    """Whether dashes alone do not tell a pane's lines apart."""
    return sum(line.drawn in (Drawn.LINE, Drawn.STEPS) for line in pane.lines) > 2


def _sizes(values: Floats, several: bool) -> list[int]:
    """Return how large each value's symbol is, 0 for none; a value without neighbours has one."""
    sizes = np.full(len(values), 3 if len(values) <= _FEW else 0)
    if several:
        sizes[:: max(len(values) // _MANY, 1)] = 7
    gaps = np.concatenate([[True], np.isnan(values), [True]])
    sizes[gaps[:-2] & gaps[2:]] = 5
    found: list[int] = sizes.tolist()
    return found


# --- around the lines -----------------------------------------------------------------------


def _frame(picture: Picture, zone: tzinfo) -> Json:
    top = _TOP + NOTE * (min(len(picture.marks), 3) + (len(picture.panes) > 1))
    shapes, notes = marks(picture, zone)
    if picture.window is not None:
        shapes += window(picture.window)
    return {
        "height": _HEIGHT * max(len(picture.panes), 1) + top + _BOTTOM,
        "margin": {"l": 56, "r": 14, "t": top, "b": _BOTTOM},
        "showlegend": False,
        "hovermode": "x unified",
        "barmode": "stack",
        "bargap": 0.15,
        "xaxis": _along(picture, zone),
        "shapes": shapes,
        "annotations": notes,
    }


def _along(picture: Picture, zone: tzinfo) -> Json:
    anchor = "y" if len(picture.panes) < 2 else f"y{len(picture.panes)}"
    if not picture.by_hour:
        span = local_times(picture.span, zone)
        return {"type": "date", "range": span, "fixedrange": False, "anchor": anchor}
    hours = (0, 6, 12, 18, 24)
    return {
        "type": "linear",
        "range": [0, 24],
        "fixedrange": True,
        "anchor": anchor,
        "tickvals": list(hours),
        "ticktext": [f"{hour:02d}:00" for hour in hours],
        "title": {"text": "hour of the local day"},
    }


def _axis(pane: Pane, domain: tuple[float, float]) -> Json:
    made: Json = {
        "title": {"text": escape(pane.unit, quote=False)},
        "domain": list(domain),
        "anchor": "x",
        "fixedrange": True,
    }
    if pane.words:
        words = [escape(word, quote=False) for word in pane.words]
        made |= {"tickvals": [0, 1], "ticktext": words}
    return made


def _reach(pane: Pane, panes: Sequence[Pane]) -> Json:
    """Return how far an axis reaches."""
    if pane.words:
        return {"range": [-0.1, 1.1]}
    if not pane.from_zero:
        return {"autorangeoptions": {"maxallowed": 100.5}} if pane.unit == "%" else {}
    most = most_from_zero(panes)
    return {"range": [0, min(1.08 * most, 100.5) if pane.unit == "%" else 1.08 * most]}


def _domains(count: int) -> list[tuple[float, float]]:
    """Return each pane's lower and upper end, the topmost first."""
    high = 1 / (count + _BETWEEN * (count - 1)) if count else 1.0
    step = high * (1 + _BETWEEN)
    return [(max(1 - n * step - high, 0.0), 1 - n * step) for n in range(count)]
