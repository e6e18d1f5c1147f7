"""The steps of commissioning a site: where each stands, and what to do next."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from tallymast.domain.commissioning.duplicates import OnWire, Twins, Verdict
from tallymast.domain.commissioning.scanning import Hearing
from tallymast.routes.commissioning.link_view import LinkShown
from tallymast.routes.commissioning.scan_rows import ScanRow
from tallymast.routes.commissioning.switches_view import SwitchRow
from tallymast.routes.rows import Mark
from tallymast.storage.proofs import OPEN, SIGNED, Proof

TO_DO: Final = Mark("to do", "dash", "off")
UNDER_WAY: Final = Mark("under way", "diamond", "off")
RECORDED: Final = Mark("recorded", "disc", "calm")
ASKED_NOW: Final = (UNDER_WAY, "Wait until its address has been asked.")
ANSWERS: Final = Mark("answers its polls", "disc", "calm")


@dataclass(frozen=True, slots=True)
class Step:
    """One step: its letter, name and anchor, where it stands, and what it takes next."""

    letter: str
    name: str
    href: str
    mark: Mark
    next: str

    @property
    def is_done(self) -> bool:
        """Whether nothing is left to do in it."""
        return self.mark.tone == "calm"


@dataclass(frozen=True, slots=True)
class Found:
    """What is known of a site's commissioning so far.

    Attributes:
        asked: what was heard at its address by the duplicate check, None: not asked.
        heard: what its address brought when profiles were tried, None: not asked.
        answers: whether it answers its polls now.
        proofs: its proofs, the newest first.
        busy: letters of the steps something is asked for right now.

    """

    switches: SwitchRow
    twins: Twins
    asked: Verdict | None
    heard: ScanRow | None
    answers: bool
    link: LinkShown | None
    proofs: Sequence[Proof]
    busy: frozenset[str] = frozenset()

    @property
    def open(self) -> Proof | None:
        """The record that goes on."""
        return next((one for one in self.proofs if one.state == OPEN), None)

    @property
    def signed(self) -> Proof | None:
        """The record signed last."""
        return next((one for one in self.proofs if one.state == SIGNED), None)

    def kept(self, name: str) -> bool:
        """Whether the open record, or without one the signed one, holds what a step found."""
        proof = self.open or self.signed
        return proof is not None and name in proof.detail


def steps_of(key: str, found: Found) -> tuple[Step, ...]:
    """Return the steps of a site in the order of the work."""
    here = f"/sites/{key}/commissioning"
    return (
        Step("a", "Address", f"{here}#address", *_address(found)),
        Step("b", "Find it", f"{here}#finding", *_finding(found)),
        Step("c", "Link test", f"{here}#link", *_link(found)),
        Step("d", "Point check-out", f"/sites/{key}/check-out", *_checkout(found)),
        Step("e", "Record", _record_href(key, found), *_record(found)),
    )


def next_of(steps: Sequence[Step]) -> Step | None:
    """Return the step to go on with, None when all are done."""
    return next((one for one in steps if not one.is_done), None)


_Standing = tuple[Mark, str]
_BAD_WORDS: Final = (OnWire.TAKEN, OnWire.TWO)


def _address(found: Found) -> _Standing:
    if found.switches.trouble:
        return Mark("cannot be set", "octagon", "act"), "Put address or switch settings right."
    if found.twins.here:
        return Mark("twice here", "octagon", "act"), "Two sites have this address: change one."
    if "a" in found.busy:
        return ASKED_NOW
    return _asked(found)


def _asked(found: Found) -> _Standing:
    asked = found.asked
    if asked is not None and asked.tone != "calm":
        shape = "octagon" if asked.word in _BAD_WORDS else "triangle"
        return Mark(asked.word.value, shape, asked.tone), asked.do
    if found.kept("switches"):
        return RECORDED, ""
    if asked is not None:
        return Mark(asked.word.value, "disc", "calm"), ""
    return TO_DO, "Set the switches as drawn, with the station off, and ask who answers there."


def _finding(found: Found) -> _Standing:
    if "b" in found.busy:
        return ASKED_NOW
    if found.heard is not None:
        return _heard(found.heard, found.answers)
    if found.kept("scan"):
        return RECORDED, ""
    if found.answers:
        return ANSWERS, ""
    return TO_DO, "Switch the station on and ask its address with every profile."


def _heard(row: ScanRow, answers: bool) -> _Standing:
    if row.hearing is Hearing.SILENCE:
        if answers:
            return ANSWERS, ""
        do = "Power, switches, antenna, line settings; then ask again."
        return Mark("not heard", "triangle", "watch"), do
    if row.hearing is Hearing.GARBLED:
        return row.mark, row.do
    if row.do:
        return Mark("found, other map", "triangle", "watch"), row.do
    return Mark("found", "disc", "calm"), ""


def _link(found: Found) -> _Standing:
    if found.link is None:
        if found.kept("link"):
            return RECORDED, ""
        return TO_DO, "Have 50 polls made in a row, with the antenna as it is to stay."
    if not found.link.is_over:
        return UNDER_WAY, "Wait for the test's end."
    return found.link.mark, found.link.more or "Better the link, then test again."


def _checkout(found: Found) -> _Standing:
    if found.open is not None:
        return UNDER_WAY, "Prove point after point, one person at the site, one at the base."
    if found.signed is not None:
        return Mark("signed", "disc", "calm"), ""
    return TO_DO, "Begin a record and prove every point."


def _record(found: Found) -> _Standing:
    if found.open is not None:
        return (
            UNDER_WAY,
            "Sign the record when every point is passed, failed or told as not tested.",
        )
    if found.signed is not None:
        return Mark("signed", "disc", "calm"), ""
    return TO_DO, "It begins with the point check-out."


def _record_href(key: str, found: Found) -> str:
    proof = found.open or found.signed
    return f"/proofs/{proof.id}" if proof is not None else f"/sites/{key}/check-out"
