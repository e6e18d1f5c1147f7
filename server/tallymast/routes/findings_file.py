"""Findings as comma-separated values: a row a finding, RFC 4180 with CR LF, times in UTC."""

import csv
import io
from typing import Final

from tallymast.routes.finding_rows import said_then, site_of
from tallymast.routes.formats import Clock, iso
from tallymast.routes.services import NetworkView
from tallymast.storage.findings import KeptFinding

_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")  # as OWASP's page on CSV injection lists them
_HEAD: Final = (
    "finding",
    "site",
    "gateway",
    "cause",
    "title",
    "point",
    "since (UTC)",
    "first named (UTC)",
    "until (UTC)",
    "how sure",
    "said then",
    "shared with",
    "visitor's word",
    "found",
    "by",
    "at (UTC)",
    "text",
)


def heading() -> str:
    """Return the line of headings."""
    return _line(_HEAD)


def file_line(one: KeptFinding, network: NetworkView, clock: Clock) -> str:
    """Return a finding's line; what is not known is an empty cell."""
    plan, word = site_of(network, one.site_id), one.word
    gateways = {some.gateway_id: some.gateway.key for some in network.gateways}
    shared = [site_of(network, other) for other in one.shared]
    said = (
        (word.verdict.value, word.found, word.actor, iso(word.at_ms) or "", word.text)
        if word
        else ("",) * 5
    )
    return _line(
        (
            str(one.id),
            plan.site.key if plan else "",
            gateways.get(one.gateway_id, ""),
            one.told.cause,
            one.told.title,
            one.told.tag,
            iso(one.since_ms) or "",
            iso(one.named_ms) or "",
            iso(one.until_ms) or "",
            one.confidence.value,
            str(said_then(one, clock).striptags()),
            " ".join(other.site.key for other in shared if other is not None),
            *said,
        )
    )


def _line(cells: tuple[str, ...]) -> str:
    """Return one line; no cell can be taken for a formula by who opens it."""
    made = io.StringIO()
    safe = [f"'{cell}" if cell.startswith(_FORMULA) else cell for cell in cells]
    csv.writer(made, lineterminator="\r\n").writerow(safe)
    return made.getvalue()
