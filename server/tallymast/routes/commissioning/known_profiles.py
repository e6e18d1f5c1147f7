"""The profiles as they are entered now, for what is drawn from them and tried with them."""

from tallymast.domain.model import Profile
from tallymast.domain.network_file import build
from tallymast.routes.services import Services
from tallymast.routes.setup.changing import as_written


def profiles_of(given: Services) -> dict[str, Profile]:
    """Return the profiles by key, in the order of the network file."""
    _, written = as_written(given)
    return {one.key: one for one in build(written, "the network").profiles}
