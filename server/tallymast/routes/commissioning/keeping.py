"""What of a step goes into a site's record: figures, and a sentence that says the same."""

from typing import Any

from tallymast.domain.model import GatewayPlan, Outcome
from tallymast.routes.commissioning.guide_reading import Reading
from tallymast.routes.problems import Problem

_NOT_ASKED = "It was not asked whether somebody else answers there."
NOTHING_YET = "There is nothing to take into the record yet: do this step first."


def what_to_keep(
    what: str, reading: Reading, gateway: GatewayPlan, actor: str, at_ms: int
) -> dict[str, Any]:
    """Return what is kept of a step.

    Args:
        what: switches, scan or link.
        reading: what is known.
        gateway: behind which the site lies.
        actor: who takes it.
        at_ms: when.

    Returns:
        Plain JSON types; ``sentence`` says it all, ``at_ms`` and ``actor`` who took it when.

    Raises:
        Problem: the step has found nothing yet.

    """
    found = {"switches": _switches, "scan": _scan, "link": _link}[what](reading)
    return {**found, "gateway": gateway.gateway.name, "at_ms": at_ms, "actor": actor}


def _switches(reading: Reading) -> dict[str, Any]:
    row, asked = reading.found.switches, reading.found.asked
    if row.trouble:
        raise Problem(409, row.trouble)
    said = f"Unit address {row.unit}: switches {row.words} ({row.reckoned})."
    return {
        "unit": row.unit,
        "positions": [[one.number, one.weight, one.is_on] for one in row.slots],
        "words": row.words,
        "settings": row.made,
        "duplicate": asked.word.value if asked else None,
        "sentence": f"{said} {asked.said}" if asked else f"{said} {_NOT_ASKED}",
    }


def _scan(reading: Reading) -> dict[str, Any]:
    row, search = reading.found.heard, reading.search
    if row is None or search is None:
        raise Problem(409, NOTHING_YET)
    parts = [f"Unit {row.unit}: {row.mark.word}{f', {row.ms}' if row.ms else ''}."]
    return {
        "unit": row.unit,
        "heard": row.mark.word,
        "ms": row.ms,
        "fits": list(row.fits),
        "job": search.job.id,
        "done_ms": search.job.done_ms,
        "sentence": " ".join([*parts, *row.fits, *([row.do] if row.do else [])]),
    }


def _link(reading: Reading) -> dict[str, Any]:
    link, test = reading.found.link, reading.test
    if link is None or test is None or not link.is_over or not test.check.asked:
        raise Problem(409, NOTHING_YET)
    check = test.check
    return {
        "job": link.number,
        "done_ms": link.done_ms,
        "polls": check.asked,
        "first_try": check.first_try.part,
        "low": check.first_try.low,
        "high": check.first_try.high,
        "retried": check.retried,
        "no_answer": check.missed[Outcome.NO_ANSWER],
        "garbled": check.missed[Outcome.GARBLED],
        "gateway_lost": check.gateway_lost,
        "longest_run": check.longest_run,
        "median_ms": check.times.median if check.times else None,
        "p95_ms": check.times.p95 if check.times else None,
        "signal": [check.signal.least, check.signal.median, check.signal.most, check.signal.unit]
        if check.signal
        else None,
        "verdict": check.verdict.value,
        "facts": [list(one) for one in link.facts],
        "sentence": f"{link.said} {'; '.join(f'{name}: {words}' for name, words in link.facts)}.",
    }
