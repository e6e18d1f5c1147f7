"""What to bring, in the words of the hardware register: as fitted, and what the store holds."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from tallymast.domain.life.part_words import part_words
from tallymast.domain.life.parts import Fitted
from tallymast.domain.life.tasks import due_words


@dataclass(frozen=True, slots=True)
class DueTask:
    """A task that is due or soon is [days since 1970]."""

    what: str
    due_day: int
    today: int

    @property
    def words(self) -> str:
        """How it stands: ``due since 12 days: calibrate level transmitter``."""
        return f"{due_words(self.due_day, self.today)}: {self.what}"


def fuses_as_fitted(parts: Iterable[Fitted]) -> str:
    """Return ``fuses as fitted: 3 A blade (load), 10 A (battery)``; empty where none is noted."""
    found = []
    for part in parts:
        if part.kind == "fuse":
            place = f" ({part.place})" if part.place else ""
            found.append(f"{part_words(part)}{place}")
    return f"fuses as fitted: {', '.join(found)}" if found else ""


def path_as_fitted(parts: Iterable[Fitted]) -> list[str]:
    """Return the radio's way into the air as it is fitted: antenna, feedline with connectors."""
    found = []
    for part in parts:
        if part.kind == "antenna":
            found.append(f"antenna as fitted ({part_words(part)})")
        elif part.kind == "feedline":
            ends = str(part.detail.get("connectors", ""))
            cable = str(part.detail.get("type", "") or part.name)
            for_it = f" for {cable}" if cable else ""
            found.append(f"connectors{f' {ends}' if ends else ''}{for_it}")
        elif part.kind == "arrester":
            ends = str(part.detail.get("connectors", "")) or part_words(part)
            found.append(f"surge arrester as fitted ({ends})")
    return found


_SHORT = {  # a bare word of the list -> the kind whose own line says it better
    "antenna": "antenna",
    "connectors": "feedline",
    "surge arrester": "arrester",
}


def without_known(
    lines: Iterable[str], parts: Iterable[Fitted], spares: Iterable[Fitted]
) -> list[str]:
    """Return a list without the bare words that the register says better; order kept."""
    kinds = {part.kind for part in parts}
    known = {word for word, kind in _SHORT.items() if kind in kinds}
    known |= {f"spare {spare.kind}" for spare in spares}
    found = []
    for line in lines:
        left = [word for word in line.split(", ") if word not in known]
        if left:
            found.append(", ".join(left))
    return found


def spares_of(kind: str, word: str, spares: Sequence[Fitted]) -> str:
    """Return ``spare radio: 2 in the store, shelf B``; empty where the store holds none."""
    held = [one for one in spares if one.kind == kind]
    count = sum(int(one.detail.get("count", 1)) for one in held)
    places = dict.fromkeys(one.place for one in held if one.place)
    where = f", {' and '.join(places)}" if places else ""
    return f"{word}: {count} in the store{where}" if count else ""


def battery_as_fitted(parts: Iterable[Fitted]) -> str:
    """Return the battery that is in now, for the list; empty where none is noted."""
    held = next((one for one in parts if one.kind == "battery"), None)
    return f"in the box now: {part_words(held)}" if held is not None else ""


_NEEDS = (  # words of a task -> what it takes; ours
    ("calibrat", "reference for the calibration, loop meter, calibration record"),
    ("battery", "battery tester, insulated tools"),
    ("desiccant", "desiccant, enclosure seals"),
    ("seal", "seals, seal numbers' list"),
    ("clean", "brush, cloth, water"),
    ("grease", "grease, as the maker names it"),
    ("antenna", "binoculars, compass, sealing tape"),
    ("inspect", "camera, inspection sheet"),
)


def needs_of(due: Iterable[DueTask]) -> list[str]:
    """Return what due tasks take along, each with the task it is for."""
    found = []
    for task in due:
        wants = [needs for word, needs in _NEEDS if word in task.what.lower()]
        what = wants[0] if wants else "what it takes"
        found.append(f"{what} (for: {task.what}, {due_words(task.due_day, task.today)})")
    return found
