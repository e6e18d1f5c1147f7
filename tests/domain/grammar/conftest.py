"""The mistakes told when one thing in a whole network file is changed."""

from collections.abc import Callable
from pathlib import Path

import pytest

from tallymast.domain.errors import ConfigError
from tallymast.domain.network_file import read

DISTRICT = Path(__file__).with_name("district.toml").read_text(encoding="utf-8")

Told = Callable[..., tuple[str, ...]]


@pytest.fixture
def told() -> Told:
    """Return the mistakes told after replacing each text by the one that follows it."""

    def change(*texts: str) -> tuple[str, ...]:
        text = DISTRICT
        for old, new in zip(texts[::2], texts[1::2], strict=True):
            assert text.count(old) == 1, f"{old!r} occurs {text.count(old)} times"
            text = text.replace(old, new)
        try:
            read(text, "net.toml")
        except ConfigError as error:
            return error.mistakes
        return ()

    return change


@pytest.fixture
def told_once(told: Told) -> Callable[..., str]:
    """Return the one mistake told; a second one would blame a person for nothing."""

    def change(*texts: str) -> str:
        mistakes = told(*texts)
        assert len(mistakes) == 1, mistakes
        return mistakes[0]

    return change
