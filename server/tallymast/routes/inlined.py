"""What a page needs to stand alone as one file: its style inside, no links, nothing to fetch."""

import re
from functools import cache
from typing import Final

from markupsafe import Markup

from tallymast import assets

_ANCHOR: Final = re.compile(r"</?a\b[^>]*>")


@cache
def inlined_styles(*names: str) -> Markup:
    """Return style files as one text, without what they would fetch."""
    folder = assets.web() / "static" / "css"
    lines = [
        line
        for name in names
        for line in (folder / name).read_text(encoding="utf-8").splitlines()
        if "url(" not in line
    ]
    return Markup("\n".join(lines))  # our own files


def unlinked(text: Markup) -> Markup:
    """Return markup without its links: nothing answers them where the file is opened."""
    return Markup(_ANCHOR.sub("", text))  # of what is escaped already
