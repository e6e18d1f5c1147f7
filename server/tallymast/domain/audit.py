"""What is written down of acts: one sentence for each kind.

An act's name is ``subject.verb``. Its sentence is made when it is stored and stays as it is,
whatever a later version says of such acts.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

MACHINE: Final = "at the machine"  # who acts by a command, where no account is known

SENTENCES: Final = {
    "account.first-link": "The one-time link for the first supervisor was printed.",
    "account.make": "{actor} made the account {subject} as {role}.",
    "account.role": "{actor} made {subject} a {role}; before it was a {before_role}.",
    "account.disable": "{actor} closed the account {subject}; its sessions ended.",
    "account.enable": "{actor} opened the account {subject} again.",
    "account.link": "{actor} made a one-time link by which {subject} chooses a password.",
    "password.choose": "{subject} chose a password by a one-time link.",
    "password.change": "{actor} changed the own password; other sessions ended.",
    "password.refuse": "{actor} gave a wrong password when asked for it again.",
    "session.begin": "{subject} signed in.",
    "session.end": "{actor} signed out.",
    "session.close": "{actor} ended {n} of {subject}'s sessions.",
    "session.refuse": "Signing in as {subject} was refused: {why}.",
    "session.again": "{actor} gave the password again.",
    "link.refuse": "A one-time link was refused: it was used before, is over, or never was one.",
    "token.make": "{actor} made the token {subject} as {role}, for {days} days.",
    "token.revoke": "{actor} ended the token {subject}.",
    "token.refuse": "A token was refused: it is over, was ended, or never was one.",
    "request.refuse": "{actor} was refused {subject}: it needs the right to {right}.",
    "request.foreign": "A request to {subject} was refused: it came from another site's page.",
    "site.maintenance": "{actor} began maintenance at {subject}: {reason}",
    "site.not-polled": "{actor} ended polling of {subject} for a while: {reason}",
    "site.end-maintenance": "{actor} ended maintenance at {subject}.",
    "site.end-not-polled": "{actor} had {subject} polled again.",
    "site.note": "{actor} wrote into the log book of {subject}: {text}",
    "site.replace-note": "{actor} replaced a note in the log book of {subject}: {text}",
    "site.poll": "{actor} asked for a poll of {subject}.",
    "site.desk-test": "{actor} asked for a desk test of {subject}.",
    "site.link-test": "{actor} asked for a link test of {subject}: {n} polls.",
    "site.stop-link-test": "{actor} ended a link test of {subject} early.",
    "gateway.scan": "{actor} had unit addresses behind {subject} asked for stations: {words}.",
    "gateway.stop-scan": "{actor} ended a scan behind {subject} early.",
    "proof.keep": "{actor} took {words} of {subject} into its open record.",
    "line.record": "{actor} had the line of {subject} recorded for {minutes} min.",
    "audit.export": "{actor} exported the audit: {n}.",
    "backup.ask": "{actor} asked for a backup.",
    "backup.plan": "{actor} changed when backups are made: {words}.",
    "polls.keep": "{actor} decided that polls are kept {words}.",
    "record.export": "{actor} exported {n} of {subject}, {period}, {how}, as {format}.",
    "report.fetch": "{actor} had a report made of {subject}, {period}, as {format}.",
    "report.keep": "{actor} had the report of {subject} made anew; it is kept as {file}.",
    "round.handover": "{actor} told the next shift: {text}",
    "finding.word": "{actor} said of “{title}” at {subject}: {said}",
    "part.enter": "{actor} entered {what} into the hardware register: {subject}.",
    "part.correct": "{actor} corrected {what} in the hardware register: {subject}.",
    "part.move": "{actor} moved {what} from {origin} to {subject}.",
    "part.dispose": "{actor} took {what} out of the hardware register: {subject}, {why}.",
    "task.add": "{actor} wrote down a task for {subject}: {what}, {when}.",
    "task.done": "{actor} did a task for {subject}: {what}.",
    "task.withdraw": "{actor} withdrew a task for {subject}: {what}, {why}.",
    "site.replace-station": "{actor} replaced the station of {subject} by {what}.",
    "hand.read": "{actor} read {hand} V by hand at {subject}; the station showed {shown} V.",
    "return.check": "{actor} looked at {what} before {subject} returns: {said}",
    "return.sign": "{actor} signed the return-to-service checklist of {subject}: {wrong} of {n} "
    "not in order.",
    "network.export": "{actor} exported the network as {format}, {words}.",
    "profile.try": "{actor} tried a profile at unit {unit} behind {subject}.",
    "proof.begin": "{actor} began to prove the points of {subject}: {words}.",
    "proof.take": "{actor} took a value at {subject}: {text}",
    "proof.verdict": "{actor} judged a point of {subject}: {text}",
    "proof.adjust": "{actor} adjusted at {subject}: {text}",
    "proof.remark": "{actor} changed names, tolerances or remarks of proof {n} of {subject}.",
    "proof.leave": "{actor} left proof {n} of {subject}; it proves nothing.",
    "proof.enter": "{actor} entered a paper form of {subject}: {words}.",
    "proof.sign": "{actor} signed proof {n} of {subject}: {text}",
    "proof.photo": "{actor} added a photograph to proof {n} of {subject}.",
    "proof.unphoto": "{actor} removed a photograph from proof {n} of {subject}.",
    "alarm.acknowledge": "{actor} acknowledged {subject}, {words}.",
    "alarm.shelve": "{actor} shelved {subject} for {period}: {reason}",
    "alarm.unshelve": "{actor} took {subject} off the shelf.",
    "alarm.out-of-service": "{actor} took {subject} out of service: {reason}",
    "alarm.in-service": "{actor} put {subject} into service again, {words}.",
    "alarm.reset": "{actor} reset {subject}, {words}.",
    "alarm.words": "{actor} wrote how {subject} calls and what to do: {words}.",
    "alarm.as-built": "{actor} gave {subject} back what is built in: {words}.",
    "alarm.test": "{actor} raised the test alarm.",
    "alarm.weekly-test": "The weekly test alarm was raised.",
    "contact.add": "{actor} entered the contact {subject}: {words}.",
    "contact.change": "{actor} changed the contact {subject}: {words}.",
    "contact.retire": "{actor} retired the contact {subject}: it is told nothing more.",
    "contact.secret": "{actor} made a new secret for the contact {subject}.",
    "contact.forget": "{actor} had the database forget the secret of the contact {subject}.",
    "contact.trial": "{actor} had a trial message sent to the contact {subject}.",
    "telling.mail": "{actor} changed the mail server: {words}.",
    "telling.address": "{actor} changed the address that links in messages lead to: {words}.",
    "telling.digest": "{actor} changed when the digest is written: {words}.",
    "telling.heartbeat": "{actor} changed where the sign of life goes: {words}.",
    "telling.beat": "{actor} had a sign of life sent.",
    "telling.weekly": "{actor} changed when the test alarm is raised by itself: {words}.",
    "order.make": "{actor} ordered: {text}",
    "order.refuse": "{actor} ordered, and was refused: {text}",
    "tag.hang": "{actor} hung a do-not-operate tag on {subject}: {reason}",
    "tag.remove": "{actor} removed the do-not-operate tag from {subject}: {text}",
    "factor.enter": "{actor} entered a factor for {subject}: {words}.",
    "factor.take-out": "{actor} took a factor of {subject} out again: {words}, {why}.",
    "adjustment.add": "{actor} adjusted {subject}: {words}.",
    "adjustment.back": "{actor} took an adjustment of {subject} back: {words}, {why}.",
    "index.read": "{actor} wrote down the index of {subject}: {words}.",
    "month.close": "{actor} closed {subject} for {n}: {words}.",
    "permit.enter": "{actor} entered the permit {subject}: {words}.",
    "permit.retire": "{actor} ended the permit {subject}: {why}.",
    "balance.enter": "{actor} entered the balance {subject}: {words}.",
    "balance.retire": "{actor} ended the balance {subject}: {why}.",
    "network.change": "{actor} changed the network by {source}: {n} changes.",
}


@dataclass(frozen=True, slots=True)
class Act:
    """One act as it is written down.

    Args:
        action: a key of ``SENTENCES``.
        subject_kind: account, session, token, request, site, gateway, finding, record, audit,
            part, task, proof, alarm, contact, telling, order, tag, point, month, permit,
            balance or network.
        subject: its key or name.
        before: what held before, as far as it changed.
        after: what holds now, with what the sentence names. Never a password, hash or token.
        name: the subject as people call it, where that is not ``subject``.

    """

    action: str
    subject_kind: str
    subject: str
    before: Mapping[str, Any] = field(default_factory=dict)
    after: Mapping[str, Any] = field(default_factory=dict)
    name: str = ""

    def sentence(self, actor: str) -> str:
        """Return the act in a sentence.

        Raises:
            KeyError: an action without a sentence, or a sentence without its words: a bug.

        """
        before = {f"before_{key}": value for key, value in self.before.items()}
        words = {"actor": actor or "Somebody", "subject": self.name or self.subject}
        return SENTENCES[self.action].format_map({**before, **self.after, **words})
