"""What a field of a setup form is: its key in the network file, and how people are asked for it.

The fields themselves are listed in network_fields.py, site_fields.py and point_fields.py; what
is typed into them becomes a written body in form_bodies.py.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

Choices = tuple[tuple[str, str], ...]  # the word that is written, the words that are shown


class Kind(StrEnum):
    """How a field is filled in."""

    TEXT = "text"
    LONG = "long"  # text of several lines
    NUMBER = "number"
    WHOLE = "whole"
    CHOICE = "choice"
    WHOLE_CHOICE = "whole-choice"  # a choice among whole numbers
    FLAG = "flag"  # yes, no, or as it is by default
    DAY = "day"
    DAY_OF_YEAR = "day-of-year"
    LINES = "lines"  # a list of texts, one a line
    RANGES = "ranges"  # a list of register ranges, one a line
    PAIR = "pair"  # two numbers
    TWO_WORDS = "two-words"
    ADDRESS = "address"  # a register: table and number, or a reference


class Of(StrEnum):
    """Where a choice's words come from when the network itself offers them."""

    GATEWAYS = "gateways"
    PROFILES = "profiles"
    SITES = "sites"
    TAGS = "tags"


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a form.

    Attributes:
        key: its key in the network file; ``limits.high`` for one in a table in braces. An
            address has the key ``register``, or ``write.register``.
        label: in the words of the trade.
        hint: one line that helps who sees this for the first time.
        unit: what a number counts in.
        usual: what holds where nothing is typed, as ``2.0 s``; empty where nothing does.
        needed: whether nothing works without it.
        words: what is chosen from.
        of: what the network offers to choose from.
        ends: labels of the two inputs of a pair.

    """

    key: str
    label: str
    kind: Kind = Kind.TEXT
    hint: str = ""
    unit: str = ""
    usual: str = ""
    needed: bool = False
    words: Choices = ()
    of: Of | None = None
    ends: tuple[str, str] = ("", "")

    @property
    def inputs(self) -> tuple[str, ...]:
        """Names of the inputs it is filled in by."""
        if self.kind is Kind.PAIR:
            return (f"{self.key}.from", f"{self.key}.to")
        if self.kind is Kind.TWO_WORDS:
            return (f"{self.key}.off", f"{self.key}.on")
        if self.kind is Kind.ADDRESS:
            return (self.key, f"{self.key}.table")
        return (self.key,)

    @property
    def keys(self) -> tuple[str, ...]:
        """Keys of the network file it stands for."""
        if self.kind is not Kind.ADDRESS:
            return (self.key,)
        before = self.key.removesuffix("register")
        return tuple(before + key for key in ("table", "register", "reference"))


@dataclass(frozen=True, slots=True)
class Group:
    """Fields that belong together on a form.

    Attributes:
        title: its heading.
        fields: in the order they are shown.
        lead: a sentence below the heading.
        folded: whether it stays shut until somebody looks: what is rarely needed.
        fits: kinds of points it is of use for; empty for any.

    """

    title: str
    fields: tuple[Field, ...]
    lead: str = ""
    folded: bool = False
    fits: frozenset[str] = frozenset()


Groups = Sequence[Group]


def fields_of(groups: Groups) -> Iterator[Field]:
    """Yield every field of a form."""
    for group in groups:
        yield from group.fields


def field_of(groups: Groups, key: str) -> Field | None:
    """Return the field that stands for a key of the file, or for the table in braces of it."""
    found = list(fields_of(groups))
    exact = (one for one in found if key in one.keys)
    inside = (one for one in found if one.key.startswith(f"{key}."))
    return next(exact, None) or next(inside, None)
