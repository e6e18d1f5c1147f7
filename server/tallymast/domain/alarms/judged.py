"""What every judgement of a value shares: what is known, a value in words, a limit's deadband."""

from tallymast.domain.alarms.model import Alarm, Condition, Seen
from tallymast.domain.model import Quality, Reading

UNKNOWN = Seen(Condition.UNKNOWN)


def is_known(reading: Reading) -> bool:
    """Whether a reading tells its value: what is stale or none does not."""
    return reading.value is not None and reading.quality in (Quality.GOOD, Quality.SUSPECT)


def spoken(value: float, unit: str) -> str:
    """Return a value for people, with its unit."""
    number = f"{value:.0f}" if abs(value) >= 1000 else f"{value:.2f}".rstrip("0").rstrip(".")
    return f"{number} {unit}".strip()


def judged(alarm: Alarm, value: float, at_ms: int | None, words: str, *, above: bool) -> Seen:
    """Judge a number against an alarm's limit and deadband.

    Abnormal at the limit and beyond it; back to normal only past it by the deadband. Source: OPC
    10000-9 Annex B.1.5 (semantics of the deadband).
    """
    if alarm.limit is None:
        return UNKNOWN
    beyond = value - alarm.limit if above else alarm.limit - value
    if beyond >= 0:
        return Seen(Condition.ABNORMAL, at_ms, words)
    return Seen(Condition.NORMAL, at_ms, words, back=-beyond < alarm.deadband)
