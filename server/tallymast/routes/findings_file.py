"""Findings as comma-separated values: a row a finding, RFC 4180 with CR LF, times in UTC."""

from typing import Final

from tallymast.files.harmless import csv_line
from tallymast.routes.finding_rows import said_then, site_of
from tallymast.routes.formats import Clock, iso
from tallymast.routes.services import NetworkView
from tallymast.storage.findings import KeptFinding

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
    return csv_line(*_HEAD)


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
    return csv_line(
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
