"""Reads the last 24 h of every site for the pages."""

from collections.abc import Mapping

from tallymast.routes.day import SiteDay
from tallymast.routes.services import Services


def read_days(given: Services, now_ms: int) -> Mapping[int, SiteDay]:
    """Return every site's last 24 h up to ``now_ms``, by site id."""
    return {}
