"""Says where the register and what is known otherwise do not agree; which is right, a person sees.

Firmware as typed beside what the station reports, an antenna's bearing beside where the other
end lies, a battery's day beside the network file's.
"""

from datetime import date
from typing import Final

OFF_BEARING_DEG: Final = 20.0  # ours: about half the beam of a six-element yagi, and a map's error


def off_bearing(bearing: float, wanted: float) -> float:
    """Return by how much two true bearings differ [°, 0..180]."""
    return abs((bearing - wanted + 180.0) % 360.0 - 180.0)


def bearing_words(bearing: float | None, wanted: float | None, other_end: str) -> str:
    """Return in a sentence that an antenna looks elsewhere; empty where it does not, or is unknown.

    Args:
        bearing: the antenna's own, true [°].
        wanted: the true bearing from the site towards the other end [°].
        other_end: what lies there, as "Marrowdun mast".

    """
    if bearing is None or wanted is None:
        return ""
    off = off_bearing(bearing, wanted)
    if off <= OFF_BEARING_DEG:
        return ""
    return (
        f"The antenna is noted at {bearing:.0f}° true, {other_end} lies at {wanted:.0f}°: "
        f"{off:.0f}° apart. One of them is wrong; a compass reads magnetic north."
    )


def firmware_words(entered: str, reported: str | None) -> str:
    """Return in a sentence that a station reports another firmware than was entered."""
    if not entered or reported is None or entered.strip() == reported.strip():
        return ""
    return (
        f"The station reports firmware {reported.strip() or 'with no name'}, "
        f"entered is {entered.strip()}."
    )


def battery_words(fitted: str | None, installed: date | None) -> str:
    """Return in a sentence that a battery's day differs from the network file's.

    Args:
        fitted: the register's day of fitting, ISO 8601; None where none is noted.
        installed: the network file's ``supply.installed``.

    """
    if not fitted or installed is None or fitted == installed.isoformat():
        return ""
    return (
        f"The register says the battery was fitted on {fitted}, the network file says "
        f"{installed.isoformat()}: the forecast goes by the network file's."
    )
