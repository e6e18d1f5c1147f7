"""Labels of drawn troubles, and which causes name each of them rightly."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from tallymast.simulator.faults import Fault

# Label of a trouble -> the keys of causes that name it rightly.
RIGHT: Mapping[str, frozenset[str]] = {
    "no-charge": frozenset({"not-charged"}),
    "mains-lost": frozenset({"mains-lost"}),
    "overcharge": frozenset({"overcharge"}),
    "worn-battery": frozenset({"battery"}),
    # Where no signal is reported, nothing parts a fall at once from a slow one: both are the path.
    "signal-step": frozenset({"antenna", "weak-path"}),
    "signal-fall": frozenset({"fading", "weak-path"}),
    "interference": frozenset({"interference"}),
    "dead-site": frozenset({"silent"}),
    "dead-repeater": frozenset({"repeater"}),
    "gateway-down": frozenset({"gateway-lost"}),
    "shared-address": frozenset({"duplicate-address"}),
    "refused": frozenset({"wrong-registers"}),
    "loop": frozenset({"loop"}),
    "stuck": frozenset({"stuck"}),
    "power-cut": frozenset({"restarts"}),
}
SLOW = frozenset({"worn-battery", "signal-fall"})  # the rest is there at once
# While a site truly does not answer, these are right of it, whatever it is quiet of otherwise.
SILENT_KEYS = RIGHT["dead-site"] | RIGHT["gateway-down"] | RIGHT["dead-repeater"]


@dataclass(frozen=True, slots=True)
class Trouble:
    """A labelled trouble.

    Attributes:
        label: a key of ``RIGHT``.
        sites: keys of the sites that have it, the one to start at first.
        gateway: whose gateway has it, where no site does; else "".
        from_ms: begin.
        to_ms: end; the far future where it lasts.
        faults: what is ordered for it.
        touched: keys of sites that suffer from it and have it not.

    """

    label: str
    sites: tuple[str, ...]
    gateway: str
    from_ms: int
    to_ms: int
    faults: tuple[Fault, ...]
    touched: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Troubles:
    """What is ordered for a network.

    Attributes:
        troubles: with their labels, in order of time.
        quiet: faults that are no trouble.
        silent: spans in which sites truly do not answer, by key: an hour's outage of a quiet
            one, a station without power.

    """

    troubles: tuple[Trouble, ...]
    quiet: tuple[Fault, ...]
    silent: Mapping[str, tuple[tuple[int, int], ...]] = field(default_factory=dict)

    @property
    def faults(self) -> tuple[Fault, ...]:
        """All that is ordered."""
        return (*self.quiet, *(fault for one in self.troubles for fault in one.faults))
