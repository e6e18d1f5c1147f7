"""Keeps the book of a scan: which unit addresses are still to be asked, and who was found.

Each address is asked one question, for the first block of the first profile named. Only where
somebody is there are the other blocks of the profiles asked too, each once.
"""

from collections import deque
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from tallymast.domain.model import Job, SitePlan, Table
from tallymast.domain.pacing import Purpose
from tallymast.polling.questions import Drawn, Heard, Question, Span, timeout_of, unit_of

ANYTHING = Span(Table.HOLDING, 0, 1)  # asked where no profile is named: a refusal tells as much
NAMED_MOST = 12  # so many addresses a sentence names

SiteAt = Callable[[int], SitePlan | None]


class Scan:
    """One running scan.

    Args:
        job: the work; its params say which units and profiles.
        site_at: the configured site at a unit address, if there is one.
        timeout_s: the reply timeout where neither job nor site has one [s].
        began_at: when it was taken [s of the loop's clock].

    Raises:
        ValueError, TypeError, KeyError: the params are not those of a scan.

    """

    purpose = Purpose.SCAN

    def __init__(self, job: Job, site_at: SiteAt, timeout_s: float, began_at: float) -> None:
        self.job = job
        self.began_at = began_at
        self.ripe_at = began_at
        self._site_at = site_at
        self._timeout_s = timeout_s
        self._asked_s = timeout_of(job.params.get("timeout_s"))
        self._units = [unit_of(one) for one in job.params["units"]]
        self._profiles = _profiles(job.params.get("profiles") or {}, job.params.get("order") or ())
        spans = dict.fromkeys(span for some in self._profiles.values() for span in some)
        self._spans = tuple(spans) or (ANYTHING,)
        self._done = 0
        self._left: deque[Span] = deque()
        self._drawn: dict[Span, Drawn] = {}
        self._found: list[int] = []
        self._garbled: list[int] = []

    @property
    def question(self) -> Question | None:
        """What is to be asked next; None when all is asked."""
        if self._done >= len(self._units):
            return None
        unit = self._units[self._done]
        return Question(unit, self._left[0] if self._drawn else self._spans[0], self._wait_s(unit))

    def take(self, drawn: Drawn, now: float, repeat_s: float) -> Mapping[str, Any] | None:
        """Take what the question drew; return the address's row when all is known of it.

        Args:
            drawn: what came.
            now: when [s].
            repeat_s: how long the same frame may come once more [s].

        """
        if not self._drawn:
            self._drawn[self._spans[0]] = drawn
            self._left = deque(self._spans[1:] if drawn.is_somebody else ())
        else:
            self._drawn[self._left.popleft()] = drawn
        # One refusal looks like the other: the last one's repeat must not pass for the next.
        self.ripe_at = now + repeat_s if drawn.code else now
        if self._left:
            return None
        return self._close()

    def _close(self) -> Mapping[str, Any]:
        unit, drawn = self._units[self._done], self._drawn
        first = next(
            (one for one in drawn.values() if one.heard is Heard.ANSWER), next(iter(drawn.values()))
        )
        site = self._site_at(unit)
        if first.is_somebody:
            self._found.append(unit)
        if first.heard is Heard.GARBLED:
            self._garbled.append(unit)
        self._done += 1
        self._drawn = {}
        return {
            "unit": unit,
            "heard": first.heard.value,
            "code": first.code,
            "ms": first.ms,
            "site": site.site.key if site else None,
            "profiles": self._matches(drawn) if first.is_somebody else {},
        }

    def _matches(self, drawn: Mapping[Span, Drawn]) -> dict[str, dict[str, int]]:
        return {
            key: {
                "asked": len(spans),
                "answered": sum(drawn[span].heard is Heard.ANSWER for span in spans),
            }
            for key, spans in self._profiles.items()
        }

    def _wait_s(self, unit: int) -> float:
        site = self._site_at(unit)
        return self._asked_s or (site.site.reply_timeout_s if site else self._timeout_s)

    @property
    def rows(self) -> int:
        """How many addresses are done with."""
        return self._done

    @property
    def progress(self) -> float:
        """How far it is, 0 to 1."""
        return self._done / len(self._units) if self._units else 1.0

    @property
    def sentence(self) -> str:
        """What was found so far, for people."""
        found = f"{len(self._found)} answered" if self._found else "none answered"
        said = f"{self._done} of {len(self._units)} addresses asked, {found}{_listed(self._found)}"
        if self._garbled:
            said += (
                f"; from {_named(self._garbled)} came bytes that are no valid answer "
                "(two stations at one address sound like that)"
            )
        return f"{said}."


def _profiles(written: Mapping[str, Any], order: Sequence[str]) -> dict[str, tuple[Span, ...]]:
    """Return the profiles' blocks, the likeliest first: a job as it is stored sorts its keys."""
    found = {str(key): tuple(Span.of(one) for one in blocks) for key, blocks in written.items()}
    keys = dict.fromkeys([*(key for key in order if key in found), *found])
    return {key: found[key] for key in keys if found[key]}


def _listed(units: list[int]) -> str:
    return f": {_named(units)}" if units else ""


def _named(units: list[int]) -> str:
    more = ", …" if len(units) > NAMED_MOST else ""
    return ", ".join(str(unit) for unit in units[:NAMED_MOST]) + more
