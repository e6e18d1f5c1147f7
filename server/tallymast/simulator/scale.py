"""Makes a network larger: every gateway carries so many times as many sites, as copies."""

from collections.abc import Iterator
from dataclasses import replace

from tallymast.domain.errors import ConfigError
from tallymast.domain.model import Network, Site

UNITS = range(1, 248)


def scaled(network: Network, times: int) -> Network:
    """Return the network with ``times`` as many sites behind each gateway.

    Copies have keys and names with a number behind, the next free unit addresses, and a way
    of their own: the n-th copy of a site lies behind the n-th copy of its repeater.

    Raises:
        ConfigError: a gateway would need more than 247 unit addresses.

    """
    if times <= 1:
        return network
    free = {gateway.key: _free_units(network, gateway.key, times) for gateway in network.gateways}
    copies = [
        _copy(site, n, next(free[site.gateway]))
        for n in range(2, times + 1)
        for site in network.sites
    ]
    return replace(network, sites=(*network.sites, *copies))


def _free_units(network: Network, gateway: str, times: int) -> Iterator[int]:
    taken = {site.unit for site in network.sites if site.gateway == gateway}
    if len(taken) * times > len(UNITS):
        raise ConfigError(
            f"--scale {times} would put {len(taken) * times} sites behind gateway {gateway}; "
            f"Modbus has {len(UNITS)} unit addresses, so at most {len(UNITS) // len(taken)} fit."
        )
    return (unit for unit in UNITS if unit not in taken)


def _copy(site: Site, n: int, unit: int) -> Site:
    via = f"{site.via}-{n}" if site.via else None
    return replace(site, key=f"{site.key}-{n}", name=f"{site.name} {n}", unit=unit, via=via)
