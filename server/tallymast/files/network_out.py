"""Makes files of a network: the network file, and its sites and points as tables."""

from collections.abc import Mapping, Sequence
from typing import Any, Final

from tallymast.domain import network_file
from tallymast.domain.setup.tables import (
    COLUMNS,
    Cell,
    TableKind,
    point_rows,
    site_rows,
    without_codes,
)
from tallymast.files.sheets import Instant, Sheet, csv_bytes, xlsx_bytes

_EXACT: Final = 10**15  # a spreadsheet's numbers show 15 digits
_NAMES: Final[Mapping[TableKind, str]] = {"sites": "Sites", "points": "Points"}


def network_toml(written: Mapping[str, Any], *, codes: bool) -> bytes:
    """Return the network file; ``codes``: with what opens the locks."""
    shown = dict(written) if codes else without_codes(written)
    in_order = network_file.parse(network_file.dump(shown), "")
    return network_file.dump(in_order).encode()


def table_csv(written: Mapping[str, Any], kind: TableKind) -> bytes:
    """Return the sites or the points as CSV: RFC 4180, UTF-8, no byte order mark."""
    return csv_bytes(Sheet(_NAMES[kind], COLUMNS[kind], _rows(written, kind)))


def network_xlsx(written: Mapping[str, Any], *, title: str, revision: int, made_ms: int) -> bytes:
    """Return sites and points as a spreadsheet with a sheet that says what it is.

    Args:
        written: the network as people wrote it.
        title: of the network.
        revision: the number of the network's newest revision.
        made_ms: when the file is made, UTC milliseconds.

    """
    about = Sheet(
        "About",
        (),
        (
            ("Network", title),
            ("Revision", revision),
            ("Made (UTC)", Instant(made_ms)),
            ("Columns", "The network file's keys; supply.kind is kind under [site.supply]."),
            ("Empty cells", "The key is not written. An emptied cell takes the key away."),
            ("Rows taken out", "What has no row stays as it is; remove things by their forms."),
            ("Registers", "table and register count from 0; reference is the same, as 30005."),
            ("Locks", "They are in no table, nor is what opens them."),
        ),
    )
    sheets = [
        Sheet(_NAMES[kind], COLUMNS[kind], [_exact(row) for row in _rows(written, kind)])
        for kind in _NAMES
    ]
    return xlsx_bytes([about, *sheets], title, made_ms)


def _rows(written: Mapping[str, Any], kind: TableKind) -> list[tuple[Cell, ...]]:
    return site_rows(written) if kind == "sites" else point_rows(written)


def _exact(row: Sequence[Cell]) -> tuple[Cell, ...]:
    """Return a row whose numbers are text where a spreadsheet would round them."""
    return tuple(str(cell) if _is_rounded(cell) else cell for cell in row)


def _is_rounded(cell: Cell) -> bool:
    if not isinstance(cell, int | float) or isinstance(cell, bool):
        return False
    return abs(cell) >= _EXACT or float(f"{cell:.15G}") != cell
