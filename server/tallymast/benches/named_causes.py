"""Holds the causes that were named against the troubles that were drawn.

Right is a cause whose key the label accepts, named at a site that has the trouble. What is
named at a site that has none, or has none yet, is a false accusation; it counts once, and again
only after it was gone for three days. A repeater's or a gateway's sites have no trouble
themselves. A site that truly does not answer, or has no power, may be called silent: that is no
false accusation, and not taken for the cause of a trouble that cut its power either.
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass

from tallymast.benches.trouble_labels import RIGHT, SILENT_KEYS, Trouble

DAY_MS = 86_400_000
MONTH_MS = 30.44 * DAY_MS
GONE_MS = 3 * DAY_MS
_AFTER_MS = 3_600_000  # a silence may still be told so long after its end


Silent = Mapping[str, Sequence[tuple[int, int]]]  # spans, by site


@dataclass(frozen=True, slots=True)
class Named:
    """A cause named at an instant: its key, at which sites or gateway, and how surely."""

    cause: str
    sites: tuple[str, ...]
    gateway: str
    score: float
    word: str = ""
    tag: str = ""


@dataclass(frozen=True, slots=True)
class Naming:
    """All that was named at an instant."""

    at_ms: int
    named: tuple[Named, ...]


@dataclass(frozen=True, slots=True)
class Scored:
    """What became of a trouble.

    Attributes:
        label: of the trouble.
        first: the key of the first cause named about it, None: none ever was.
        word: how surely that was said.
        is_right: whether that was right.
        delay_ms: until a right cause stood first, None: never.
        right_at_end: whether one stood first at the end.

    """

    label: str
    first: str | None
    word: str
    is_right: bool
    delay_ms: int | None
    right_at_end: bool


@dataclass(frozen=True, slots=True)
class Accusation:
    """A site (or gateway) accused falsely."""

    at_ms: int
    whose: str
    cause: str
    score: float
    word: str


def score(trouble: Trouble, namings: Sequence[Naming], silent: Silent | None = None) -> Scored:
    """Return what became of a trouble.

    Args:
        trouble: which.
        namings: ascending in time.
        silent: when sites truly did not answer, or had no power.

    """
    old = _standing_before(trouble, namings)
    namings = [_told(trouble, one, silent or {}) for one in namings]
    tops = [
        (naming.at_ms, top)
        for naming in namings
        if naming.at_ms >= trouble.from_ms and (top := _top(trouble, naming, old)) is not None
    ]
    first = tops[0][1] if tops else None
    right = [at_ms for at_ms, top in tops if is_right(trouble, top)]
    end = _at_end(trouble, namings)
    last = _top(trouble, end, ()) if end is not None else None
    return Scored(
        trouble.label,
        first.cause if first else None,
        first.word if first else "",
        first is not None and is_right(trouble, first),
        right[0] - trouble.from_ms if right else None,
        last is not None and is_right(trouble, last),
    )


def is_right(trouble: Trouble, named: Named) -> bool:
    """Whether a cause names a trouble by its kind and where it is."""
    if named.cause not in RIGHT[trouble.label]:
        return False
    if trouble.gateway:
        return named.gateway == trouble.gateway
    return bool(set(trouble.sites) & set(named.sites))


def false_accusations(
    troubles: Sequence[Trouble],
    namings: Sequence[Naming],
    silent: Silent,
) -> list[Accusation]:
    """Return who was accused falsely, in order of time.

    Args:
        troubles: of the network.
        namings: ascending in time.
        silent: when sites without a trouble truly did not answer.

    """
    begins = quiet_until(troubles)
    seen: dict[tuple[str, str, str], int] = {}
    found = []
    for naming in namings:
        for named in naming.named:
            for whose in _accused(named, naming.at_ms, troubles, begins, silent):
                key = (whose, named.cause, named.tag)
                before = seen.get(key)
                seen[key] = naming.at_ms
                if before is None or naming.at_ms - before > GONE_MS:
                    found.append(
                        Accusation(naming.at_ms, whose, named.cause, named.score, named.word)
                    )
    return found


def quiet_until(troubles: Sequence[Trouble]) -> dict[str, int]:
    """Return of each site with a trouble until when it had none."""
    return {key: one.from_ms for one in troubles for key in one.sites}


def healthy_months(
    sites: Collection[str], troubles: Sequence[Trouble], from_ms: int, to_ms: int
) -> float:
    """Return how many months of sites without a trouble a span holds; a month is 30.44 days."""
    begins = quiet_until(troubles)
    ends = (min(begins.get(key, to_ms), to_ms) for key in sites)
    return sum(max(end - from_ms, 0) for end in ends) / MONTH_MS


# --- inside -----------------------------------------------------------------------------


def _concerns(trouble: Trouble, named: Named) -> bool:
    """Whether a cause is about a trouble: named at its sites, or at those it takes along."""
    if trouble.gateway:
        return named.gateway == trouble.gateway and (not named.sites or is_right(trouble, named))
    return bool({*trouble.sites, *trouble.touched} & set(named.sites))


def _standing_before(trouble: Trouble, namings: Sequence[Naming]) -> set[str]:
    """Return keys of wrong causes that stood at its sites already when it began."""
    before = [one for one in namings if one.at_ms < trouble.from_ms]
    if not before:
        return set()
    some = (one for one in before[-1].named if _concerns(trouble, one))
    return {one.cause for one in some if not is_right(trouble, one)}


def _told(trouble: Trouble, naming: Naming, silent: Silent) -> Naming:
    """Leave out what calls a trouble's site silent while it is, and tells no cause by that."""
    some = tuple(
        one
        for one in naming.named
        if is_right(trouble, one)
        or one.cause not in SILENT_KEYS
        or not all(_is_silent(silent.get(key, ()), naming.at_ms) for key in one.sites)
        or not one.sites
    )
    return Naming(naming.at_ms, some)


def _is_silent(spans: Sequence[tuple[int, int]], at_ms: int) -> bool:
    return any(begin <= at_ms < end + _AFTER_MS for begin, end in spans)


def _top(trouble: Trouble, naming: Naming, old: Collection[str]) -> Named | None:
    some = (one for one in naming.named if _concerns(trouble, one) and one.cause not in old)
    return max(some, key=lambda one: one.score, default=None)


def _at_end(trouble: Trouble, namings: Sequence[Naming]) -> Naming | None:
    """Return the last naming while it lasted; where there was none, the first one after."""
    during = [one for one in namings if trouble.from_ms <= one.at_ms < trouble.to_ms]
    after = [one for one in namings if one.at_ms >= trouble.to_ms]
    return during[-1] if during else next(iter(after), None)


def _accused(
    named: Named,
    at_ms: int,
    troubles: Sequence[Trouble],
    begins: Mapping[str, int],
    silent: Silent,
) -> Iterator[str]:
    """Yield who is accused by a cause and has no trouble; nobody where it is right of one."""
    if any(one.from_ms <= at_ms and is_right(one, named) for one in troubles):
        return
    if not named.sites:
        yield named.gateway
    for key in named.sites:
        is_quiet = at_ms < begins.get(key, at_ms + 1)
        is_silent = _is_silent(silent.get(key, ()), at_ms)
        if is_quiet and not (is_silent and named.cause in SILENT_KEYS):
            yield key
