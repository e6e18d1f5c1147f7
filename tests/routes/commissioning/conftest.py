"""The small world with a check-out: polls that are asked for are answered as a test says."""

import re
from dataclasses import dataclass

import httpx2 as httpx
import pytest
from starlette.testclient import TestClient
from tests.routes.conftest import World, client, words, world

from tallymast.domain import contact
from tallymast.domain.commissioning.steps import Step
from tallymast.domain.model import (
    JobState,
    Outcome,
    Poll,
    PollDone,
    PollFlag,
    SiteStatus,
)
from tallymast.routes.commissioning import taking_page
from tallymast.storage import audit, jobs, proof_steps, proofs
from tallymast.storage.audit import Entry, Wanted
from tallymast.storage.proofs import Proof

__all__ = ["client", "world"]

SITE = "/sites/quill-tank"
NAMES = {"kind": "commissioning", "at_site": "R. Hale", "at_base": "M. Okoro"}


@dataclass
class Bench:
    """A client in a world whose station answers what is on its terminals, at each poll asked."""

    world: World
    client: TestClient
    level_ua: int = 12_000
    volts: int = 1287
    hatch: int = 0
    mute: bool = False
    late: bool = False

    def begin(self, **change: str) -> httpx.Response:
        return self.client.post(f"{SITE}/check-out", data=NAMES | change, follow_redirects=False)

    def take(self, tag: str, take: str, **more: str) -> httpx.Response:
        return self.post("take", tag=tag, take=take, **more)

    def result(self, tag: str, result: str, note: str = "") -> httpx.Response:
        return self.post("result", tag=tag, result=result, note=note)

    def post(self, what: str, **fields: str) -> httpx.Response:
        return self.client.post(f"{SITE}/check-out/{what}", data=fields, follow_redirects=False)

    def page(self) -> str:
        return self.client.get(f"{SITE}/check-out").text

    def pass_all(self) -> None:
        for percent, microamps in zip((0, 25, 50, 75, 100), range(4000, 20_001, 4000), strict=True):
            self.level_ua = microamps
            self.take("LVL", f"up {percent}")
        self.take("VBAT", "up", amount="12.87")
        for self.hatch in (0, 1):
            self.take("HATCH", "state")
        for tag in ("LVL", "VBAT", "HATCH"):
            assert self.result(tag, "pass").status_code == 303

    def sign(self, name: str = "R. Hale") -> httpx.Response:
        number = self.proof().id
        return self.client.post(
            f"/proofs/{number}/sign", data={"name": name}, follow_redirects=False
        )

    def proof(self) -> Proof:
        with self.world.database.reading() as conn:
            return proofs.of_site(conn, self.world.plan("quill-tank").site_id)[0]

    def steps(self, tag: str = "") -> list[Step]:
        with self.world.database.reading() as conn:
            found = proof_steps.of_proof(conn, self.proof().id)
        return [one for one in found if tag in ("", one.tag)]

    def told(self, action: str) -> list[Entry]:
        with self.world.database.reading() as conn:
            return audit.search(conn, Wanted(action=action), 100)

    def answer(self, flags: PollFlag = PollFlag.DEMAND, after_ms: int = 1000) -> None:
        """Let the station answer every poll that waits."""
        plan = self.world.plan("quill-tank")
        with self.world.database.reading() as conn:
            waiting = [one for one in jobs.waiting(conn, ("poll",))]
        for one in waiting:
            at_ms = self.world.now_ms = max(self.world.now_ms, one.asked_ms) + after_ms
            self.world.live.publish_poll(self._done(plan, at_ms, flags))
            with self.world.database.writing() as conn:
                said = "no answer within 2.0 s" if self.mute else "answered"
                jobs.update(conn, one.id, JobState.DONE, 1.0, f"Quill Tank: {said}.", at_ms + 1)

    def registers(self) -> bytes:
        """What the station's registers hold now."""
        return words(self.level_ua, self.volts, self.hatch)

    def _done(self, plan, at_ms: int, flags: PollFlag) -> PollDone:  # type: ignore[no-untyped-def]
        outcome = Outcome.NO_ANSWER if self.mute else Outcome.FIRST_TRY
        body = b"" if self.mute else self.registers()
        got = 0 if self.mute else 1
        poll = Poll(plan.site_id, at_ms, outcome, flags, 1, 81.3, plan.layout.id, got, 0, body)
        before = contact.first_state(plan.layout, SiteStatus.IN_SERVICE, at_ms)
        patience = contact.patience(plan.site, self.world.gateway())
        return PollDone(poll, contact.next_state(before, poll, plan.layout, patience))


def answering(made: Bench, monkeypatch: pytest.MonkeyPatch) -> Bench:
    """Let the station answer at once, unless it is to be late."""
    ask = taking_page.ask_poll

    def asked(*given: object) -> object:
        job = ask(*given)  # type: ignore[arg-type]
        if not made.late:
            made.answer()
        return job

    monkeypatch.setattr("tallymast.routes.commissioning.taking_page.ask_poll", asked)
    monkeypatch.setattr("tallymast.routes.commissioning.taking_page.WAIT_S", 0.0)
    return made


@pytest.fixture
def bench(world: World, client: TestClient, monkeypatch: pytest.MonkeyPatch) -> Bench:
    return answering(Bench(world, client), monkeypatch)


@pytest.fixture
def going(bench: Bench) -> Bench:
    assert bench.begin().status_code == 303
    return bench


def text_of(html: str) -> str:
    """The words of a page, without its tags."""
    return " ".join(re.sub(r"<[^>]+>", " ", html).split())
