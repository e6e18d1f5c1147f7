"""The storages of a balance as its form has them: a level, how far it may be off, a table."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from tallymast.domain.model import PointKind
from tallymast.domain.totals.balance import AreaTable, refusal
from tallymast.routes.life.typed import read_number
from tallymast.routes.services import NetworkView
from tallymast.routes.volumes_kept.balance_words import table_of
from tallymast.routes.volumes_kept.places import Chosen
from tallymast.storage.balances import Storage

MOST: Final = 8  # ours: so many tanks and ponds a balance takes
_LEVEL_UNITS: Final = ("m",)
_ERROR_M: Final = 0.01


@dataclass(frozen=True, slots=True)
class Fields:
    """One storage's names in the form."""

    number: int

    @property
    def level(self) -> str:
        """Of its level."""
        return f"level{self.number}"

    @property
    def error(self) -> str:
        """Of how far that may be off."""
        return f"level_error{self.number}"

    @property
    def table(self) -> str:
        """Of its surface by level."""
        return f"table{self.number}"

    @property
    def name(self) -> str:
        """What sentences call it."""
        return f"Storage {self.number}"

    def is_filled(self, form: Chosen) -> bool:
        """Whether anything was typed or chosen."""
        return bool(form.typed.get(self.level) or form.tables.get(self.table, "").strip())


EVERY: Final = tuple(Fields(number) for number in range(1, MOST + 1))


def shown(form: Chosen) -> tuple[Fields, ...]:
    """Return the storages the form has room for: those filled, one at least, and one asked for."""
    last = max((one.number for one in EVERY if one.is_filled(form)), default=0)
    return EVERY[: max(1, last + ("more" in form.typed))]


def storages_of(view: NetworkView, form: Chosen, wrong: dict[str, str]) -> tuple[Storage, ...]:
    """Return what is stored; what is wrong with it is told in ``wrong``, by field."""
    known = {text: place for text, place, _ in levels_of(view)}
    found: list[Storage] = []
    for one in EVERY:
        if not one.is_filled(form):
            continue
        level = form.typed.get(one.level, "")
        if made := _storage(known, one, form, wrong):
            found.append(made)
        if level in {form.typed.get(other.level) for other in EVERY[: one.number - 1]} - {""}:
            wrong[one.level] = f"{one.name}: its level is in another storage of this balance."
    return tuple(found)


def _storage(
    known: Mapping[str, tuple[int, str]], one: Fields, form: Chosen, wrong: dict[str, str]
) -> Storage | None:
    level = form.typed.get(one.level, "")
    if not level:
        wrong[one.level] = f"{one.name}: choose the level that the table belongs to."
    elif level not in known:
        wrong[one.level] = f"{one.name}: that level is not there; choose one of the list."
    table = _table(one, form, wrong)
    typed = form.typed.get(one.error, "")
    error = read_number(typed, f"{one.name}, level error", wrong, one.error)
    if error is not None and not 0 <= error <= 5:
        wrong[one.error] = f"{one.name}: a level may be off by 0 to 5 m."
    if table is None or level not in known:
        return None
    return Storage(*known[level], table, _ERROR_M if error is None else error)


def _table(one: Fields, form: Chosen, wrong: dict[str, str]) -> AreaTable | None:
    said: dict[str, str] = {}
    table = table_of(form.tables.get(one.table, ""), said)
    why = said.get("table", "") or (refusal(table) if table is not None else "")
    if why:
        wrong[one.table] = f"{one.name}: {why}"
        return None
    return table


def levels_of(view: NetworkView) -> list[tuple[str, tuple[int, str], str]]:
    """Return the levels in metres of a network: a key, site and tag, what people call it."""
    return [
        (f"{plan.site.key}/{one.tag}", (plan.site_id, one.tag), f"{plan.site.name}, {one.name}")
        for plan in view.sites
        for one in plan.site.points
        if one.kind is PointKind.ANALOG_INPUT and one.unit in _LEVEL_UNITS
    ]
