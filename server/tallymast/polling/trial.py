"""Keeps the book of a try: what a draft's blocks read at one address, each once with one retry."""

from collections.abc import Mapping
from typing import Any

from tallymast.domain.model import Job
from tallymast.domain.pacing import Purpose
from tallymast.polling.questions import Drawn, Heard, Question, Span, timeout_of, unit_of
from tallymast.polling.scan import SiteAt

RETRY_AFTER_S = 1.0
BUSY = (5, 6)  # MODBUS Application Protocol V1.1b3 section 7: ask again later


class Trial:
    """One running try.

    Args:
        job: the work; its params say which unit and blocks.
        site_at: the configured site at a unit address, if there is one.
        timeout_s: the reply timeout where neither job nor site has one [s].
        began_at: when it was taken [s of the loop's clock].

    Raises:
        ValueError, TypeError, KeyError: the params are not those of a try.

    """

    purpose = Purpose.TRY

    def __init__(self, job: Job, site_at: SiteAt, timeout_s: float, began_at: float) -> None:
        self.job = job
        self.began_at = began_at
        self.ripe_at = began_at
        self._unit = unit_of(job.params["unit"])
        self._spans = [Span.of(one) for one in job.params["blocks"]]
        site = site_at(self._unit)
        usual_s = site.site.reply_timeout_s if site else timeout_s
        self._wait_s = timeout_of(job.params.get("timeout_s")) or usual_s
        self._done = self._answered = self._refused = 0
        self._again = False

    @property
    def question(self) -> Question | None:
        """What is to be asked next; None when all is asked."""
        if self._done >= len(self._spans):
            return None
        return Question(self._unit, self._spans[self._done], self._wait_s)

    def take(self, drawn: Drawn, now: float, repeat_s: float) -> Mapping[str, Any] | None:
        """Take what the question drew; return the block's row, None where it is asked again.

        Args:
            drawn: what came.
            now: when [s].
            repeat_s: how long the same frame may come once more [s].

        """
        self.ripe_at = now + repeat_s if drawn.code else now
        if (not drawn.is_somebody or drawn.code in BUSY) and not self._again:
            self._again, self.ripe_at = True, now + RETRY_AFTER_S
            return None
        row = {
            "block": self._done,
            "heard": drawn.heard.value,
            "code": drawn.code,
            "ms": drawn.ms,
            "words": drawn.words.hex() if drawn.heard is Heard.ANSWER else None,
            "said": drawn.said,
        }
        self._done, self._again = self._done + 1, False
        self._answered += drawn.heard is Heard.ANSWER
        self._refused += drawn.heard is Heard.REFUSAL
        return row

    @property
    def rows(self) -> int:
        """How many blocks are done with."""
        return self._done

    @property
    def progress(self) -> float:
        """How far it is, 0 to 1."""
        return self._done / len(self._spans) if self._spans else 1.0

    @property
    def sentence(self) -> str:
        """What was heard so far, for people."""
        many = "1 block" if len(self._spans) == 1 else f"{len(self._spans)} blocks"
        said = f"Unit {self._unit}: {self._done} of {many} asked, {self._answered} answered"
        return f"{said}, {self._refused} refused." if self._refused else f"{said}."
