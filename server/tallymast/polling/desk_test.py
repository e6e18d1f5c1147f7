"""A desk test: so many polls of one site in a row, and what they say of its contact."""

from dataclasses import dataclass, field

import numpy as np

from tallymast.domain.model import Job, Outcome, Poll

POLLS = 20


@dataclass(slots=True)
class DeskTest:
    """One running test."""

    job: Job
    polls: list[Poll] = field(default_factory=list)

    def add(self, poll: Poll) -> None:
        """Take one poll more."""
        self.polls.append(poll)

    @property
    def progress(self) -> float:
        """How far it is, 0 to 1."""
        return min(len(self.polls) / POLLS, 1.0)

    @property
    def is_over(self) -> bool:
        """Whether all polls are done."""
        return len(self.polls) >= POLLS

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
        return said + "."
