"""The network: from a file into the database, from the database to the poller.

What people say of sites for a while, and points that stations refuse, go into the plan here.
"""

from collections.abc import Callable, Mapping
from dataclasses import replace

from sqlalchemy import Connection

from tallymast import wall
from tallymast.domain import audit as audited
from tallymast.domain import network_file
from tallymast.domain.errors import ConfigError
from tallymast.domain.model import (
    Act,
    Gateway,
    GatewayPlan,
    Network,
    PollPlan,
    SitePlan,
)
from tallymast.domain.read_plan import read_plan, reduced_layout
from tallymast.storage import audit, episodes, refused_points
from tallymast.storage import network as stored_network
from tallymast.storage.engine import Database
from tallymast.storage.layouts import keep_layout
from tallymast.storage.refused_points import Refusal

NEW_NETWORK = 'title = "New network"\ntime_zone = "UTC"\n'  # what a start without a file begins


def bring_network(database: Database, text: str, source: str) -> tuple[str, ...]:
    """Store a network file in an empty database; leave one that already has a network alone.

    A network without any gateway, as a start without a file leaves it, counts as none.

    Args:
        database: where to store it.
        text: the file's text.
        source: the file's name, for sentences.

    Returns:
        How the file differs from what the database keeps, in sentences; empty if it does not.

    Raises:
        ConfigError: mistakes in the file; nothing is stored.

    """
    written, network = network_file.read(text, source)
    with database.writing() as connection:
        kept = stored_network.load_written(connection)
        if any(kept.get(table) for table in ("gateway", "profile", "site")):
            return network_file.differences(kept, written)
        _store(connection, written, network)
    return ()


def begin_network(database: Database) -> bool:
    """Store a network without gateways where there is none yet; return whether there was none.

    Everything else is entered under Setup.
    """
    written, network = network_file.read(NEW_NETWORK, "the new network")
    with database.writing() as connection:
        if stored_network.revision(connection):
            return False
        said = "A new network was begun."
        _store(connection, written, network, source="form", sentence=said)
    return True


def change_network(database: Database, text: str, source: str) -> tuple[str, ...]:
    """Make the database's network what a file says.

    Returns:
        What changed, in sentences; empty if nothing did, and then nothing is stored.

    Raises:
        ConfigError: mistakes in the file; nothing is stored.

    """
    written, network = network_file.read(text, source)
    with database.writing() as connection:
        changes = network_file.differences(stored_network.load_written(connection), written)
        if changes:
            _store(connection, written, network)
            after = {"source": source, "n": len(changes), "changes": list(changes[:50])}
            told = audited.Act("network.change", "network", "network", after=after)
            audit.add(connection, told, at_ms=wall.now_ms(), actor=audited.MACHINE)
    return changes


def _store(
    connection: Connection,
    written: network_file.Written,
    network: Network,
    source: str = "file",
    sentence: str = "",
) -> None:
    stored_network.store_network(
        connection,
        written,
        network,
        actor="local",
        source=source,
        at_ms=wall.now_ms(),
        plan_blocks=read_plan,
        sentence=sentence,
    )


def stored_plan(connection: Connection, network: Network) -> PollPlan:
    """Return what is to be polled of a network that is stored."""
    return stored_network.load_plan(connection, network)


def load_network(
    database: Database, addresses: Mapping[str, str] | None = None
) -> tuple[Network, PollPlan]:
    """Return the stored network and what is to be polled.

    Args:
        database: where it is stored.
        addresses: other gateway addresses than the stored ones, by gateway key or by the stored
            address.

    Raises:
        ConfigError: there is no network yet.

    """
    with database.reading() as connection:
        written = stored_network.load_written(connection)
        if not written:
            raise ConfigError(
                f"There is no network in {database.place} yet: give one with --network FILE "
                "(`tallymast demo` shows an invented one)."
            )
        network = network_file.build(written, "the stored network")
        plan = stored_plan(connection, network)
        acts = {one.site_id: Act(one.kind) for one in episodes.open_acts(connection)}
        refused = refused_points.load(connection, wall.now_ms())
    plan = _each_site(plan, lambda _, one: replace(one, act=acts.get(one.site_id, Act.NONE)))
    plan = _reduced(database, plan, refused)
    return network, _readdressed(plan, addresses or {})


def _each_site(plan: PollPlan, change: Callable[[GatewayPlan, SitePlan], SitePlan]) -> PollPlan:
    """Return the plan with every site changed."""
    gateways = tuple(
        replace(gateway, sites=tuple(change(gateway, one) for one in gateway.sites))
        for gateway in plan.gateways
    )
    return replace(plan, gateways=gateways)


def _reduced(database: Database, plan: PollPlan, refused: Mapping[int, Refusal]) -> PollPlan:
    """Return the plan without the points that stations refuse."""

    def reduce(gateway: GatewayPlan, one: SitePlan) -> SitePlan:
        refusal = refused.get(one.site_id)
        if refusal is None or refusal.layout_id != one.layout.id:
            return one
        layout = reduced_layout(
            one.site, gateway.gateway, one.layout, refusal.tags, bridge=not refusal.bridges
        )
        if not layout.blocks:
            return one
        with database.writing() as connection:
            layout = keep_layout(connection, layout, wall.now_ms())
        return replace(one, layout=layout, refused=refusal.tags)

    return _each_site(plan, reduce) if refused else plan


def _readdressed(plan: PollPlan, addresses: Mapping[str, str]) -> PollPlan:
    def readdress(one: Gateway) -> Gateway:
        address = addresses.get(one.key) or addresses.get(one.address) or one.address
        return replace(one, address=address)

    gateways = tuple(replace(one, gateway=readdress(one.gateway)) for one in plan.gateways)
    return replace(plan, gateways=gateways)
