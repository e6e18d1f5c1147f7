"""Finds a bench by its name and runs it with the options given on the command line."""

import inspect
from collections.abc import Callable, Sequence
from difflib import get_close_matches
from importlib import import_module

from tallymast.domain.errors import ConfigError

NAMES = (
    "abuse",
    "cycle",
    "dead",
    "demo",
    "diagnosis",
    "exchange",
    "forecast",
    "kill",
    "many",
    "orders",
    "pages",
    "record",
    "road",
    "soak",
    "telling",
    "truth",
    "volumes",
)


def run(name: str, arguments: Sequence[str]) -> dict[str, object]:
    """Run one bench.

    Args:
        name: one of NAMES.
        arguments: ``--option N`` pairs; a bench's options are its function's parameters.

    Returns:
        The figures, by the keys of the stable contract.

    Raises:
        ConfigError: no such bench or option, or a value that is not a whole number.

    """
    if name not in NAMES:
        near = get_close_matches(name, NAMES, n=1)
        hint = f" Did you mean {near[0]}?" if near else ""
        raise ConfigError(f"There is no bench {name!r}; there are {', '.join(NAMES)}.{hint}")
    bench: Callable[..., dict[str, object]] = import_module(f"tallymast.benches.{name}").run
    return bench(**_options(name, tuple(inspect.signature(bench).parameters), arguments))


def _options(name: str, known: Sequence[str], arguments: Sequence[str]) -> dict[str, int]:
    given = {}
    waiting = list(arguments)
    while waiting:
        word = waiting.pop(0)
        option, _, value = word.removeprefix("--").partition("=")
        option = option.replace("-", "_")
        if not word.startswith("--") or option not in known:
            shown = ", ".join(f"--{one.replace('_', '-')} N" for one in known) or "no options"
            raise ConfigError(f"bench {name} does not know {word!r}; it takes {shown}.")
        value = value or (waiting.pop(0) if waiting else "")
        if not value.isdigit():
            raise ConfigError(f"bench {name} --{option} is {value!r}; it takes a whole number.")
        given[option] = int(value)
    return given
