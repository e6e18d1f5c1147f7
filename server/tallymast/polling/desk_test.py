"""A test of contact: so many polls of one site in a row, and what they say.

A desk test is twenty polls; a link test is as many as its job says. How sure their shares are is
judged from the polls themselves (domain/commissioning/link_check.py), which know of bursts.
"""

from dataclasses import dataclass, field
from typing import Final

import numpy as np

from tallymast.domain.model import Job, Outcome, Poll

KINDS: Final = ("desk-test", "link-test")
POLLS: Final = 20
FEWEST, MOST = 5, 200


@dataclass(slots=True)
class DeskTest:
    """One running test of ``wanted`` polls."""

    job: Job
    wanted: int = POLLS
    polls: list[Poll] = field(default_factory=list)

    @staticmethod
    def of(job: Job) -> "DeskTest":
        """Return the test a job asks for.

        Raises:
            ValueError: it asks for fewer or more polls than a test may have.

        """
        if job.kind == "desk-test":
            return DeskTest(job)
        wanted = job.params.get("polls", POLLS)
        if not isinstance(wanted, int) or not FEWEST <= wanted <= MOST:
            raise ValueError(f"A link test takes {FEWEST} to {MOST} polls, not {wanted}.")
        return DeskTest(job, wanted)

    def add(self, poll: Poll) -> None:
        """Take one poll more."""
        self.polls.append(poll)

    @property
    def progress(self) -> float:
        """How far it is, 0 to 1."""
        return min(len(self.polls) / self.wanted, 1.0)

    @property
    def is_over(self) -> bool:
        """Whether all polls are done."""
        return len(self.polls) >= self.wanted

    def sentence(self, name: str) -> str:
        """Return what came of it so far, for people."""
        asked = len(self.polls)
        answered = [poll for poll in self.polls if poll.outcome.is_answered]
        first = sum(poll.outcome is Outcome.FIRST_TRY for poll in self.polls)
        said = f"{name}: {len(answered)} of {asked} polls answered, {first} at the first try"
        times = [poll.answer_ms for poll in answered if poll.answer_ms is not None]
        if times:
            middle, late = np.percentile(times, [50, 95])
            said += f"; answers took {middle:.0f} ms, 95 % within {late:.0f} ms"
        if times and self.job.kind == "link-test":
            said += f", from {min(times):.0f} to {max(times):.0f} ms"
        return said + "."
