"""Runs what people ask of a channel that is no poll: scans, at low priority, and tries.

One question at a time, between polls. Nothing of it is a site's: no poll is recorded, no state
or count changes, and what is out is a debt like any other.
"""

import asyncio
from collections.abc import Callable, Collection
from typing import Final, TypeAlias

from tallymast.domain.model import GatewayPlan, Job, JobState, SitePlan
from tallymast.domain.pacing import Pace
from tallymast.polling.exchange import Exchanger
from tallymast.polling.ports import Outlet
from tallymast.polling.questions import may_go, put
from tallymast.polling.scan import Scan
from tallymast.polling.trial import Trial
from tallymast.polling.wishes import STOPPED

Errand: TypeAlias = Scan | Trial

KINDS: Final = ("scan", "try")


class Errands:
    """The scans and tries of one channel, each kind in the order it was asked for.

    Args:
        exchanger: who asks.
        outlet: where findings go.
        plan: the gateway as it is now, with its sites.

    """

    def __init__(
        self, exchanger: Exchanger, outlet: Outlet, plan: Callable[[], GatewayPlan]
    ) -> None:
        self._exchanger = exchanger
        self._outlet = outlet
        self._plan = plan
        self._scans: list[Scan] = []
        self._trials: list[Trial] = []

    # --- what is to be done ----------------------------------------------------------------

    def take(self, job: Job) -> None:
        """Take a job; one that cannot be understood fails with a sentence."""
        timeout_s = self._plan().gateway.reply_timeout_s
        try:
            if job.kind == "scan":
                self._scans.append(Scan(job, self._site_at, timeout_s, _now()))
            else:
                self._trials.append(Trial(job, self._site_at, timeout_s, _now()))
        except (ValueError, TypeError, KeyError, AttributeError) as error:
            sentence = f"What is to be asked cannot be understood: {error}."
            self._outlet.job_changed(job.id, JobState.FAILED, 1.0, sentence)
            return
        self._outlet.job_changed(job.id, JobState.RUNNING, 0.0, "")

    def stop(self, job_ids: Collection[int]) -> None:
        """End jobs as a person asked; what was found stays."""
        for errand in self._all():
            if errand.job.id in job_ids:
                self._end(errand, JobState.DONE, f"{STOPPED} {errand.sentence}")

    def fail(self, sentence: str) -> None:
        """End all jobs for a reason; what was found stays."""
        for errand in self._all():
            said = f"{errand.sentence} Then it ended: {sentence}"
            self._end(errand, JobState.FAILED, said)

    def _all(self) -> list[Errand]:
        return [*self._scans, *self._trials]

    def _site_at(self, unit: int) -> SitePlan | None:
        return next((one for one in self._plan().sites if one.site.unit == unit), None)

    # --- whose turn ------------------------------------------------------------------------

    async def first(self, pace: Pace) -> bool:
        """Ask what goes before polls, if there is any: a try, a scan's question long waited for.

        Returns:
            whether anything was asked.

        """
        if self._trials and pace.may_try(_now()):
            return await self._ask(self._trials[0], pace)
        if self._scans and pace.scan_is_overdue(_now(), self._scans[0].began_at):
            return await self._ask(self._scans[0], pace)
        return False

    async def idle(self, pace: Pace) -> bool:
        """Ask what may go while nothing is due; return whether anything was asked."""
        if not self._scans:
            return False
        scan = self._scans[0]
        question = scan.question
        longest_s = 0.0 if question is None else question.timeout_s
        if not pace.may_scan(_now(), longest_s, scan.began_at):
            return False
        return await self._ask(scan, pace)

    # --- one question ----------------------------------------------------------------------

    async def _ask(self, errand: Errand, pace: Pace) -> bool:
        question, begin = errand.question, _now()
        if question is None:
            self._end(errand, JobState.DONE, errand.sentence)
            return True
        if errand.ripe_at > begin or not may_go(self._exchanger, question):
            return False
        try:
            drawn = await put(self._exchanger, question)
        finally:
            pace.asked(errand.purpose, begin, _now())
        if self._goes_on(errand):
            n = errand.rows
            row = errand.take(drawn, _now(), self._exchanger.debts.repeat_s)
            if row is not None:
                self._outlet.job_row(errand.job.id, n, row)
                self._tell(errand)
        return True

    def _goes_on(self, errand: Errand) -> bool:
        """Whether nobody has stopped it meanwhile."""
        return errand in self._scans or errand in self._trials

    def _tell(self, errand: Errand) -> None:
        if errand.question is None:
            self._end(errand, JobState.DONE, errand.sentence)
        else:
            self._outlet.job_changed(
                errand.job.id, JobState.RUNNING, errand.progress, errand.sentence
            )

    def _end(self, errand: Errand, state: JobState, sentence: str) -> None:
        self._scans = [one for one in self._scans if one is not errand]
        self._trials = [one for one in self._trials if one is not errand]
        done = 1.0 if state is JobState.DONE and errand.question is None else errand.progress
        self._outlet.job_changed(errand.job.id, state, done, sentence)


def _now() -> float:
    return asyncio.get_running_loop().time()
