"""Where the files lie that are not Python: pages, the demo's network, the commonest passwords.

An installed package carries them inside itself; a checkout has them two folders up. Nobody
else looks.
"""

from functools import cache
from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent
_CHECKOUT = _PACKAGE.parent.parent


def web() -> Path:
    """Return the folder that holds ``templates`` and ``static``."""
    return _find("web")


def demo_data() -> Path:
    """Return the folder of the demo's network files."""
    return _find("demo_data")


@cache
def common_passwords() -> frozenset[str]:
    """Return passwords that are tried first everywhere, in lower case (source beside the file)."""
    text = (_PACKAGE / "common_passwords.txt").read_text(encoding="utf-8")
    return frozenset(text.split())


def _find(name: str) -> Path:
    for folder in (_PACKAGE / name, _CHECKOUT / name):
        if folder.is_dir():
            return folder
    raise FileNotFoundError(
        f"The folder {name!r} is neither in {_PACKAGE} nor in {_CHECKOUT}: the installation is "
        "incomplete. Install Tallymast again."
    )
