"""The page before a change of the network: what it does, and the question whether to make it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from fastapi import Request
from fastapi.responses import HTMLResponse

from tallymast.domain.network_file import Written
from tallymast.domain.setup.channel_effects import ChannelEffect
from tallymast.domain.setup.effects import Effects, effects
from tallymast.domain.setup.proposals import Proposal
from tallymast.routes.formats import number
from tallymast.routes.screens import Screens

MOST: Final = 500  # ours: lines of one part that are told at all
SHOWN: Final = 8  # lines of one part before the rest is folded
BACK_TO_FORM: Final = "Back to the form, with what I typed"


@dataclass(frozen=True, slots=True)
class Part:
    """One part of the page: sentences under a heading, the first ones open, the rest folded."""

    name: str
    heading: str
    lines: tuple[str, ...]
    hint: str = ""
    tone: str = ""

    @property
    def shown(self) -> tuple[str, ...]:
        """The sentences that are open."""
        return self.lines if len(self.lines) <= SHOWN + 2 else self.lines[:SHOWN]

    @property
    def folded(self) -> tuple[str, ...]:
        """The others, so far as somebody may read them."""
        return self.lines[len(self.shown) : MOST]

    @property
    def left_out(self) -> int:
        """How many are not told at all."""
        return max(len(self.lines) - MOST, 0)


@dataclass(frozen=True, slots=True)
class Row:
    """One gateway's line of the table of channels."""

    name: str
    polls: tuple[str, str]
    airtime: tuple[str, str]


def preview(
    request: Request,
    show: Screens,
    before: Written,
    proposal: Proposal,
    *,
    headline: str,
    post_to: str,
    back: str,
    fields: Mapping[str, str],
    edit: str = BACK_TO_FORM,
    discard: str = "",
    notes: Sequence[str] = (),
    cautions: Sequence[str] = (),
    status: int = 200,
) -> HTMLResponse:
    """Show what a change will do; its button posts ``fields`` again, with ``step`` = ``store``.

    Args:
        request: whom to answer.
        show: what renders.
        before: the network as people wrote it until now.
        proposal: the change.
        headline: what is changed, as "Upper Weir".
        post_to: where the button posts.
        back: the page to go back to without a change.
        fields: what was typed, name by name; it goes along so that nothing is lost.
        edit: what the button says that goes back to what was typed; empty: there is none.
        discard: what the button says that forgets the change (``step`` = ``discard``), if any.
        notes: what else is to be known of it.
        cautions: what is rarely meant, besides what the effects tell.
        status: of the answer.

    """
    found = effects(before, proposal)
    context = {
        "headline": headline,
        "effects": found,
        "parts": parts(found),
        "rows": [_row(one) for one in found.channels],
        "cautions": (*cautions, *found.cautions),
        "notes": tuple(notes),
        "post_to": post_to,
        "back": back,
        "fields": fields,
        "base": proposal.base,
        "edit": edit,
        "discard": discard,
    }
    return show.page(request, "setup_preview.html", context, status)


def parts(found: Effects) -> list[Part]:
    """Return what a change does, part by part, without the parts that say nothing."""
    channels = tuple(one.sentence for one in found.channels if one.sentence)
    every = (
        Part(
            "outputs",
            "Outputs that may drop",
            found.outputs,
            "A station that is not polled sets these by itself. What they show now stands on the"
            " site's page. Machinery may stop or start: tell whoever works there first.",
            "drops",
        ),
        Part("differences", "What is written differently", found.differences),
        Part("channels", "Polls and airtime", channels),
        Part("history", "What older readings mean", found.history),
        Part(
            "proofs",
            "What is no longer proven",
            found.proofs,
            "Whether a point was proven stands on the site's page.",
        ),
    )
    wanted = (one for one in every if one.lines or (one.name == "channels" and found.channels))
    return list(wanted)


def _row(one: ChannelEffect) -> Row:
    return Row(
        one.name,
        (_polls(one.polls_h[0]), _polls(one.polls_h[1])),
        (_airtime(one.airtime[0]), _airtime(one.airtime[1])),
    )


def _polls(polls_h: float | None) -> str:
    if not polls_h:
        return "none"
    return number(polls_h, 0 if polls_h >= 10 else 1)


def _airtime(share: float | None) -> str:
    return f"{100 * share:.1f}\u00a0%" if share else "none"  # it may be above 100
