"""Hides what opens locks in a network file's text, and puts it back when the text is mended."""

import re
from collections.abc import Sequence
from typing import Final

_CODE: Final = re.compile(
    r"""(?P<key>\bcode\b["']?\s*[=:]\s*)"""
    r'''(?P<value>"""[\s\S]*?(?:"""|\Z)|\'\'\'[\s\S]*?(?:\'\'\'|\Z)|[^\n]*)'''
)
_HIDDEN: Final = re.compile(r"«kept (\d{1,6})»")


def without_codes(text: str) -> tuple[str, tuple[str, ...]]:
    """Return a text in which each code (with the rest of its line) is a mark, and the codes."""
    codes: list[str] = []

    def hide(found: re.Match[str]) -> str:
        codes.append(found["value"])
        return f"{found['key']}«kept {len(codes)}»"

    return _CODE.sub(hide, text), tuple(codes)


def with_codes(text: str, codes: Sequence[str]) -> str:
    """Return a text with the codes in the places of their marks; unknown marks stay."""

    def put(found: re.Match[str]) -> str:
        number = int(found[1])
        return codes[number - 1] if 1 <= number <= len(codes) else found[0]

    return _HIDDEN.sub(put, text)
