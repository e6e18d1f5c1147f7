"""Makes of a draft what it would make of the network: a proposal, or what keeps it from one."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from tallymast.domain.errors import ConfigError
from tallymast.domain.network_file import Written, build, mistakes_in, parse
from tallymast.domain.setup.file_lines import line_of
from tallymast.domain.setup.grids import Grid, from_kept, kept
from tallymast.domain.setup.proposals import Proposal
from tallymast.domain.setup.table_reading import read_tables
from tallymast.domain.setup.table_work import CellMistake
from tallymast.domain.setup.tables import with_kept_codes
from tallymast.files.table_in import Sent
from tallymast.routes.formats import plural
from tallymast.storage.drafts import Draft

_LINE = re.compile(r"\bLine (\d+):")
NETWORK, TABLES = "network", "tables"
_STAY = (
    "Rows that are not in the file stay as they are, and so do columns that are not there; an"
    " empty cell takes its key away. What is to go is removed by its form."
)
_WHOLE = "The file takes the place of the whole network: what it does not say is gone."


@dataclass(frozen=True, slots=True)
class Looked:
    """What comes of a draft: a proposal, or mistakes.

    Attributes:
        notes: what else is to be known.

    """

    proposal: Proposal | None
    mistakes: tuple[CellMistake, ...] = ()
    notes: tuple[str, ...] = ()


def body_of(sent: Sent) -> tuple[str, dict[str, Any]]:
    """Return the kind of a draft and what is kept of it."""
    if sent.grids:
        return TABLES, {"grids": [kept(grid) for grid in sent.grids], "unread": list(sent.unread)}
    return NETWORK, {"text": sent.text}


def grids_of(draft: Draft) -> tuple[Grid, ...]:
    """Return a draft's tables."""
    return tuple(from_kept(one) for one in draft.body.get("grids", []))


def looked_at(draft: Draft, base: int, today: Written) -> Looked:
    """Return what a draft would make of the network as it is today.

    Args:
        draft: what was sent, or mended.
        base: the network's newest revision.
        today: the network as people wrote it.

    """
    if draft.kind == TABLES:
        return _of_tables(draft, base, today)
    return _of_text(draft, base, today)


def _of_tables(draft: Draft, base: int, today: Written) -> Looked:
    found = read_tables(grids_of(draft), today)
    if found.mistakes:
        return Looked(None, found.mistakes)
    return Looked(_proposal(found.written, base, draft.name, "csv"), (), _notes(draft))


def _notes(draft: Draft) -> tuple[str, ...]:
    unread = draft.body.get("unread", [])
    if not unread:
        return (_STAY,)
    return (_STAY, f"Not read, as no sheet Sites or Points: {', '.join(unread[:10])}.")


def _of_text(draft: Draft, base: int, today: Written) -> Looked:
    text, name = draft.body["text"], draft.name
    try:
        written = parse(text, name)
    except ConfigError as error:
        return Looked(None, tuple(_of_line(said, name) for said in error.mistakes))
    filled, n = with_kept_codes(written, today)
    mistakes = mistakes_in(filled)
    if mistakes:
        return Looked(
            None, tuple(_placed(one.place, one.key, one.sentence, text, name) for one in mistakes)
        )
    notes = [_WHOLE]
    if n:
        notes.append(
            f"{plural(n, 'lock')} in the file {'has' if n == 1 else 'have'} no code; what opens"
            " the same lock of the same site today is kept."
        )
    return Looked(_proposal(filled, base, name, "file"), (), tuple(notes))


def _of_line(said: str, name: str) -> CellMistake:
    sentence = said.removeprefix(f"{name}: ")
    line = _LINE.search(sentence)
    return CellMistake(f"{name}, line {line[1]}" if line else name, sentence)


def _placed(place: str, key: str, sentence: str, text: str, name: str) -> CellMistake:
    line = line_of(text, place, key)
    where = f"{name}, line {line}" if line else name
    return CellMistake(where, f"[{f'{place} {key}'.strip()}] {sentence}")


def _proposal(written: Written, base: int, name: str, source: str) -> Proposal:
    return Proposal(base, written, build(written, name), source)


def mended(draft: Draft, fields: Mapping[str, str]) -> Draft:
    """Return a draft with the cells somebody wrote anew: fields ``cell.TABLE.ROW.COLUMN``."""
    grids = list(grids_of(draft))
    for name, text in fields.items():
        place = _cell(name)
        if place is None or place[0] >= len(grids):
            continue
        grid, row, column = place
        if grids[grid].holds(row, column):
            grids[grid] = grids[grid].with_cell(row, column, text)
    return replace(draft, body={**draft.body, "grids": [kept(grid) for grid in grids]})


def _cell(name: str) -> tuple[int, int, int] | None:
    head, *parts = name.split(".")
    if head != "cell" or len(parts) != 3:
        return None
    try:
        grid, row, column = (int(part) for part in parts)
    except ValueError:
        return None
    return (grid, row, column) if grid >= 0 else None
