"""The one tree of failures we expect: whose fault it is, and a sentence for people.

The class says who must act; the text says what, where, what was expected and what to do.
Anything that is not a TallymastError is a bug of ours and may show a traceback.
"""

from collections.abc import Sequence


class TallymastError(Exception):
    """Every failure we expect."""


class ConfigError(TallymastError):
    """What a person wrote in a file, an option or the environment cannot be used.

    Args:
        mistakes: one sentence, or one a mistake; each names file, key and what would be right.

    """

    def __init__(self, mistakes: str | Sequence[str]) -> None:
        self.mistakes: tuple[str, ...] = (
            (mistakes,) if isinstance(mistakes, str) else tuple(mistakes)
        )
        super().__init__("\n".join(self.mistakes))


class DecodeError(TallymastError, ValueError):
    """The words of an answer do not fit the point's layout."""


class StorageError(TallymastError):
    """The database refused; the engine's own error stays as ``__cause__``."""


class ExchangeFailed(TallymastError):
    """One exchange gave no usable answer.

    Args:
        site: the site's name, as people know it.
        reason: what happened, without the site's name and without a full stop.
        code: the Modbus exception code where one was answered, else 0.

    """

    def __init__(self, site: str, reason: str, code: int = 0) -> None:
        self.site = site
        self.reason = reason
        self.code = code
        super().__init__(f"{site}: {reason}.")


class GatewayUnreachable(ExchangeFailed):
    """No connection to the gateway; every site behind it is affected, none is to blame."""


class NoAnswer(ExchangeFailed):
    """Silent past the reply timeout, or exception 0B from the converter in between."""


class GarbledAnswer(ExchangeFailed):
    """Bytes came and none were valid: noise, or two sites on one unit address."""


class RefusedBySite(ExchangeFailed):
    """Exceptions 01 to 03: a wrong function, register or value."""


class BusySite(ExchangeFailed):
    """Exceptions 05 and 06: accepted but unfinished, or busy; ask again later."""


class DeviceFailure(ExchangeFailed):
    """Exception 04: the station says it failed."""


class PathFault(ExchangeFailed):
    """Exception 0A: a gateway between us and the site has no path to it."""
