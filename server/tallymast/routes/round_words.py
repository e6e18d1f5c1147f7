"""What a day's round said, in plain words, to be kept."""

from fastapi import FastAPI
from markupsafe import Markup

from tallymast.domain.health.findings import Finding
from tallymast.domain.rounds import KeptLine, KeptRound
from tallymast.routes.cause_lines import line_of
from tallymast.routes.formats import Clock
from tallymast.routes.round_page import RoundBoard, View
from tallymast.routes.screens import Screens
from tallymast.routes.services import Services


def kept_round(view: View, clock: Clock, day: int) -> KeptRound:
    """Return the round as it is shown now, in the words of now.

    Args:
        view: what the Morning round shows.
        clock: writes its times.
        day: the local day it is kept for, counted from 1970-01-01.

    """
    lines = tuple(
        KeptLine(one.key, plain_words(_told(one, view, clock)), one.act, one.site_keys)
        for one in view.needs.found
    )
    summary = view.summary
    return KeptRound(
        day, clock.now_ms, summary.headline, summary.clean_words, summary.unknown_words, lines
    )


def _told(finding: Finding, view: View, clock: Clock) -> Markup:
    """Return a finding's sentence with its causes behind it."""
    line = line_of(finding, view.needs.causes.get(finding.key, ()), clock)
    causes = [Markup("{}: {}").format(one.mark.word.capitalize(), one.words) for one in line.why]
    return Markup(" ").join([line.text, *causes])


def round_to_keep(app: FastAPI, given: Services, day: int) -> KeptRound | None:
    """Return the application's round as of now, None while too little is known to keep it."""
    board, days = app.state.round_board, app.state.days
    assert isinstance(board, RoundBoard)
    view = board.view(0, days.upto(given.now_ms()))
    summary = view.summary
    if given.judged_ms() is None or summary.waiting == summary.polled:
        return None
    return kept_round(view, Screens(given).clock(), day)


def plain_words(text: Markup) -> str:
    """Return a sentence without its markup, on one line."""
    return " ".join(text.striptags().split())
