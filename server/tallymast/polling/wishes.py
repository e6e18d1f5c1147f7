"""Keeps the polls and tests of sites that people asked for, until each is done or has failed."""

from collections.abc import Callable, Collection
from typing import Final

from tallymast.domain.model import Job, JobState, Poll, PollFlag
from tallymast.polling.desk_test import KINDS, DeskTest
from tallymast.polling.ports import Outlet

STOPPED: Final = "Stopped by hand:"


class Wishes:
    """What is wished of the sites of one channel.

    Args:
        outlet: where it is told how a job goes.
        name_of: gives a site's name by its id.

    """

    def __init__(self, outlet: Outlet, name_of: Callable[[int], str]) -> None:
        self._outlet = outlet
        self._name_of = name_of
        self._polls: dict[int, list[Job]] = {}
        self._tests: dict[int, DeskTest] = {}

    @property
    def sites(self) -> set[int]:
        """The sites of which a poll is wished now."""
        return {*self._polls, *self._tests}

    def take(self, job: Job, site_id: int) -> bool:
        """Take a job for a site; return False where it was refused."""
        if job.kind in KINDS:
            why = self._take_test(job, site_id)
            if why:
                self._outlet.job_changed(job.id, JobState.FAILED, 1.0, why)
                return False
        else:
            self._polls.setdefault(site_id, []).append(job)
        self._outlet.job_changed(job.id, JobState.RUNNING, 0.0, "")
        return True

    def _take_test(self, job: Job, site_id: int) -> str:
        """Take a test; return why not, empty where it is taken."""
        if site_id in self._tests:
            return f"{self._name_of(site_id)} is being tested already; ask again after that."
        try:
            self._tests[site_id] = DeskTest.of(job)
        except ValueError as error:
            return str(error)
        return ""

    def begin(self, site_id: int) -> list[int]:
        """Return the jobs that the poll beginning now answers; they are kept here no more."""
        return [job.id for job in self._polls.pop(site_id, [])]

    def polled(self, poll: Poll) -> bool:
        """Take a poll that is over; return whether a test wishes for another one."""
        test = self._tests.get(poll.site_id)
        if test is None or not poll.flags & PollFlag.DEMAND:
            return False  # a poll that had begun before is none of the test's
        test.add(poll)
        said = test.sentence(self._name_of(poll.site_id))
        if test.is_over:
            del self._tests[poll.site_id]
            self._outlet.job_changed(test.job.id, JobState.DONE, 1.0, said)
            return False
        self._outlet.job_changed(test.job.id, JobState.RUNNING, test.progress, said)
        return True

    def stop(self, job_ids: Collection[int]) -> None:
        """End jobs because a person asked for that."""
        for site_id, test in list(self._tests.items()):
            if test.job.id in job_ids:
                del self._tests[site_id]
                said = f"{STOPPED} {test.sentence(self._name_of(site_id))}"
                self._outlet.job_changed(test.job.id, JobState.DONE, test.progress, said)
        for site_id, some in list(self._polls.items()):
            for job in [one for one in some if one.id in job_ids]:
                some.remove(job)
                said = f"{STOPPED} {self._name_of(site_id)} was not asked."
                self._outlet.job_changed(job.id, JobState.DONE, 0.0, said)
            if not some:
                del self._polls[site_id]

    def fail(self, site_ids: Collection[int], sentence: str) -> None:
        """End the jobs of some sites for a reason; what was found is told."""
        for site_id in site_ids:
            for job in self._polls.pop(site_id, []):
                self._outlet.job_changed(job.id, JobState.FAILED, 1.0, sentence)
            test = self._tests.pop(site_id, None)
            if test is not None:
                said = f"{test.sentence(self._name_of(site_id))} Then it ended: {sentence}"
                self._outlet.job_changed(test.job.id, JobState.FAILED, test.progress, said)
