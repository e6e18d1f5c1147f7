"""Who may do what, and which names and passwords are accepted.

The table ``LEAST`` is the whole of it: an act needs a right, a right needs a role, and every
role has the rights of those before it. routes/rights.py says which right a route needs.
"""

import unicodedata
from collections.abc import Collection
from enum import StrEnum
from typing import Final

SHORTEST, LONGEST = 12, 256  # characters of a password
NAME_SHORTEST, NAME_LONGEST = 2, 40


class Role(StrEnum):
    """What a person is trusted with; each may do what those before it may."""

    VIEWER = "viewer"
    OPERATOR = "operator"
    TECHNICIAN = "technician"
    SUPERVISOR = "supervisor"

    @property
    def rank(self) -> int:
        """Its place, 0 for the least."""
        return list(Role).index(self)


class Right(StrEnum):
    """What a person may do."""

    SEE = "see"
    OWN = "own"
    EXPORT = "export"
    NOTE = "note"
    POLL = "poll"
    MARK = "mark"
    ALARM = "alarm"
    OPERATE = "operate"
    LISTEN = "listen"
    LOCKS = "locks"
    PROVE = "prove"
    SETUP = "setup"
    AUDIT = "audit"
    PEOPLE = "people"
    KEEP = "keep"


LEAST: Final = {
    Right.SEE: Role.VIEWER,
    Right.OWN: Role.VIEWER,
    Right.EXPORT: Role.VIEWER,
    Right.NOTE: Role.OPERATOR,
    Right.POLL: Role.OPERATOR,
    Right.MARK: Role.OPERATOR,
    Right.ALARM: Role.OPERATOR,
    Right.OPERATE: Role.OPERATOR,
    Right.LISTEN: Role.TECHNICIAN,
    Right.LOCKS: Role.TECHNICIAN,
    Right.PROVE: Role.OPERATOR,
    Right.SETUP: Role.TECHNICIAN,
    Right.AUDIT: Role.SUPERVISOR,
    Right.PEOPLE: Role.SUPERVISOR,
    Right.KEEP: Role.SUPERVISOR,
}
WORDS: Final = {
    Right.SEE: "see values, pages and the record",
    Right.OWN: "have an own password, sessions and tokens",
    Right.EXPORT: "have files made of the record",
    Right.NOTE: "write into a site's log book, and to the next shift",
    Right.POLL: "ask for a poll or a desk test",
    Right.MARK: "begin and end maintenance, and end polling for a while",
    Right.ALARM: "acknowledge, shelve and reset alarms",
    Right.OPERATE: "order outputs, and hang tags against operating them",
    Right.LISTEN: "watch and record the line in bytes",
    Right.LOCKS: "read what opens a site's locks",
    Right.PROVE: "prove points, keep the hardware register and what is due",
    Right.SETUP: "change the network: gateways, profiles, sites and points",
    Right.AUDIT: "read who did what",
    Right.KEEP: "back up the record and decide how long polls stay",
    Right.PEOPLE: "make accounts, give roles, end sessions and tokens",
}


def may(role: Role, right: Right) -> bool:
    """Return whether a role has a right."""
    return role.rank >= LEAST[right].rank


def lesser(one: Role, other: Role) -> Role:
    """Return the one of two roles that is trusted with less."""
    return min(one, other, key=lambda role: role.rank)


def name_of(text: str) -> str:
    """Return an account's name as it is kept: lower case, in Unicode's composed form.

    Source: RFC 8265 section 3.3 (UsernameCaseMapped: case mapping, then NFC).
    """
    return unicodedata.normalize("NFC", text.strip().lower())


def wrong_with_name(name: str) -> str:
    """Return in a sentence why a name (already as kept) cannot be used; empty if it can."""
    if not NAME_SHORTEST <= len(name) <= NAME_LONGEST:
        return f"A name has {NAME_SHORTEST} to {NAME_LONGEST} characters; this has {len(name)}."
    if not all(character.isalnum() or character in "._-" for character in name):
        return "A name is made of letters, digits, dots, hyphens and underscores."
    if not name[0].isalnum():
        return "A name begins with a letter or a digit."
    if name == "local":
        return "'local' stands for acts before there were accounts; choose another name."
    return ""


def wrong_with(password: str, context: Collection[str], common: Collection[str]) -> str:
    """Return in a sentence why a password cannot be used; empty if it can.

    Any characters count, nothing is cut off, and no mixture of kinds is asked for.

    Args:
        password: as typed.
        context: words an attacker would try here, such as the account's name.
        common: passwords that are tried first everywhere, in lower case.

    Source: OWASP ASVS 5.0.0, 6.2.1, 6.2.4, 6.2.5, 6.2.8, 6.2.9; the shortest length is ours.

    """
    if len(password) < SHORTEST:
        return f"A password has at least {SHORTEST} characters; this has {len(password)}."
    if len(password) > LONGEST:
        return f"A password has at most {LONGEST} characters; this has {len(password)}."
    if len(set(password)) < 5:
        return "This password repeats a few characters; use several words instead."
    low = password.lower()
    stem = low.strip("0123456789!?.,;:-_*#$%&+= ")
    if low in common or stem in common or not stem:
        return "This password is among the first that are tried; use several words instead."
    if any(len(word) >= 3 and stem in (word, word * 2) for word in map(str.lower, context)):
        return "This password is made of the name it protects; use other words."
    return ""


def plain(text: str, longest: int) -> str:
    """Return text as it may be stored and shown on one line.

    Line breaks and other control characters become single spaces, so that nothing a person
    writes can look like another line (OWASP ASVS 5.0.0, 16.4.1).

    Args:
        text: as it came.
        longest: how many characters are kept.

    """
    cleaned = "".join(" " if unicodedata.category(one)[0] == "C" else one for one in text)
    return " ".join(cleaned.split())[:longest]
