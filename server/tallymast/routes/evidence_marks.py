"""Marks, levels, titles and shaded hours of a finding's figure, as Plotly's shapes and words.

Each has a name, by which the page gives it its colour.
"""

from datetime import tzinfo
from html import escape
from typing import Any, Final

from tallymast.routes.charts import local_times
from tallymast.routes.evidence_picture import Pane, Picture

Json = dict[str, Any]

NOTE: Final = 15  # [px] a mark's words
_LONGEST: Final = 26  # letters of them


def marks(picture: Picture, zone: tzinfo) -> tuple[list[Json], list[Json]]:
    """Return an upright line for each mark inside the span, and its words above the panes."""
    begin, end = picture.span
    inside = [(ms, words) for ms, words in picture.marks if begin <= ms <= end]
    shapes, notes = [], []
    for n, (ms, words) in enumerate([] if picture.by_hour else inside):
        (at,) = local_times([ms], zone)
        shapes.append(_upright(at))
        is_left = ms < (begin + end) / 2
        rows = n % 3 + (len(picture.panes) > 1)  # over the title of the topmost pane
        notes.append(_note(at, _short(words), is_left, 1 + NOTE * rows))
    return shapes, notes


def _short(words: str) -> str:
    text = words if len(words) <= _LONGEST else f"{words[: _LONGEST - 1]}…"
    return escape(text, quote=False)


def _upright(at: str) -> Json:
    return {
        "name": "mark",
        "type": "line",
        "xref": "x",
        "x0": at,
        "x1": at,
        "yref": "paper",
        "y0": 0,
        "y1": 1,
        "line": {"width": 1.5, "dash": "dot"},
    }


def _note(at: str, words: str, is_left: bool, shift: int) -> Json:
    return {
        "name": "mark",
        "text": words,
        "xref": "x",
        "x": at,
        "xanchor": "left" if is_left else "right",
        "yref": "paper",
        "y": 1,
        "yanchor": "bottom",
        "yshift": shift,
        "showarrow": False,
        "font": {"size": 11},
    }


def level(value: float, axis: str) -> Json:
    """Return a dashed line across a pane."""
    return {
        "name": "level",
        "type": "line",
        "xref": "paper",
        "x0": 0,
        "x1": 1,
        "yref": axis,
        "y0": value,
        "y1": value,
        "line": {"width": 1, "dash": "dash"},
    }


def level_words(pane: Pane, axis: str) -> list[Json]:
    """Return the words of a pane's levels, each on its line."""
    return [
        {
            "name": "level",
            "text": escape(words, quote=False),
            "xref": "paper",
            "x": 0.005 if n % 2 else 0.25,  # two levels that lie close do not share a place
            "xanchor": "left",
            "yref": axis,
            "y": value,
            "yanchor": "middle",
            "borderpad": 1,
            "showarrow": False,
            "font": {"size": 11},
        }
        for n, (value, words) in enumerate(pane.levels)
    ]


def title(pane: Pane, top: float) -> Json:
    """Return the words over a pane that ends at ``top``."""
    return {
        "name": "title",
        "text": escape(pane.title, quote=False),
        "xref": "paper",
        "x": 0,
        "xanchor": "left",
        "yref": "paper",
        "y": top,
        "yanchor": "bottom",
        "showarrow": False,
        "font": {"size": 12},
    }


def window(hours: tuple[float, float]) -> list[Json]:
    """Return hours of the day shaded, as parts of one day: past midnight there are two."""
    begin, end = hours
    parts = [(begin, end)] if begin <= end else [(0.0, end), (begin, 24.0)]
    return [_shade(*part) for part in parts]


def _shade(begin: float, end: float) -> Json:
    return {
        "name": "window",
        "type": "rect",
        "layer": "below",
        "xref": "x",
        "x0": begin,
        "x1": end,
        "yref": "paper",
        "y0": 0,
        "y1": 1,
        "line": {"width": 0},
    }
