"""Which causes there are: each function that names one enters itself here."""

from collections.abc import Callable

from tallymast.domain.health.diagnosis.evidence import Around, SiteEvidence
from tallymast.domain.health.diagnosis.model import Diagnosis

CauseOf = Callable[[SiteEvidence, Around], Diagnosis | None]
"""Names one cause from one site's evidence and the network round it; None: it is not that."""

CAUSES: list[CauseOf] = []


def a_cause(function: CauseOf) -> CauseOf:
    """Enter a function among the causes."""
    CAUSES.append(function)
    return function
