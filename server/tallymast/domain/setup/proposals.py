"""A change of the network before it is made: form, file and undo all end in one of these."""

from dataclasses import dataclass

from tallymast.domain.model import Network
from tallymast.domain.network_file import Written


@dataclass(frozen=True, slots=True)
class Rename:
    """One key that becomes another and keeps its history; ``table``: gateway, profile, site."""

    table: str
    old: str
    new: str


@dataclass(frozen=True, slots=True)
class Proposal:
    """A whole network that is to take the place of the stored one.

    Attributes:
        base: the revision it was made from; stored only while that is still the newest.
        written: what people wrote, key for key.
        network: the same, checked, with every default filled in.
        source: ``form``, ``file``, ``csv``, ``undo`` or ``api``.
        renamed: keys that become others and keep their history.
        undoes: the revision this takes back, if it does.
        sentence: what the list of revisions says; empty: which things changed.

    """

    base: int
    written: Written
    network: Network
    source: str
    renamed: tuple[Rename, ...] = ()
    undoes: int | None = None
    sentence: str = ""
