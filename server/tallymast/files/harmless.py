"""Writes texts into comma-separated values so that no spreadsheet takes one for a formula.

A text that begins like a formula gets an apostrophe in front, as OWASP's page on CSV injection
advises.
"""

import csv
import io
from typing import Final

_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")


def harmless(text: str) -> str:
    """Return a text that no spreadsheet takes for a formula."""
    return f"'{text}" if text.startswith(_FORMULA) else text


def csv_line(*cells: str) -> str:
    """Return one line of comma-separated values, RFC 4180 with CR LF; its cells are harmless."""
    made = io.StringIO()
    csv.writer(made, lineterminator="\r\n").writerow(harmless(cell) for cell in cells)
    return made.getvalue()
