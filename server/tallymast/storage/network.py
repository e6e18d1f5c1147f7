"""Stores the network as people wrote it, in one revision a change.

Only the keys a person wrote are kept, each table's as one canonical JSON body, so that an
export equals what was imported; what polls need besides (ids, current layouts) is in columns.
Nothing is deleted that old polls speak of: gateways, sites and points are retired.
"""

import json
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from sqlalchemy import ColumnElement, Connection, delete, insert, null, or_, select, update
from sqlalchemy import Table as SqlTable

from tallymast.domain.errors import StorageError
from tallymast.domain.modbus.blocks import site_layout
from tallymast.domain.model import (
    Block,
    Gateway,
    GatewayPlan,
    Network,
    PollPlan,
    Site,
    SitePlan,
)
from tallymast.domain.read_plan import read_plan
from tallymast.storage import schema
from tallymast.storage.changes import canonical, log_change, upsert
from tallymast.storage.layouts import keep_layout, load_layouts
from tallymast.storage.renames import Renames, rename
from tallymast.storage.revisions import TABLES, Written, add_revision

PlanBlocks = Callable[[Site, Gateway], tuple[Block, ...]]


def store_network(
    conn: Connection,
    written: Written,
    network: Network,
    *,
    actor: str,
    source: str,
    at_ms: int,
    plan_blocks: PlanBlocks = read_plan,
    renamed: Renames = (),
    undoes: int | None = None,
    sentence: str = "",
) -> int:
    """Make this the network from now on; return the number of the new revision.

    Args:
        conn: a writing connection; the caller's transaction makes it one step.
        written: what people wrote, as ``network_file.parse`` gives it.
        network: the same with every default filled in.
        actor: who did it.
        source: ``file``, ``form``, ``csv``, ``undo`` or ``api``.
        at_ms: when.
        plan_blocks: how a site's registers are read.
        renamed: what keeps its history under another key.
        undoes: the revision this one takes back.
        sentence: what the list of revisions says; empty: which things changed.

    Raises:
        StorageError: a key to be renamed is not there, or the new one was used before.

    """
    before = load_written(conn)
    revision_id = add_revision(
        conn, before, written, actor, source, at_ms, renamed, undoes, sentence
    )
    rename(conn, renamed)
    _store_top(conn, written, network, revision_id)
    gateways = _store_gateways(conn, written, at_ms)
    profiles = _store_profiles(conn, written)
    sites = _store_sites(conn, written, network, gateways, profiles, at_ms)
    of_gateway = {gateway.key: gateway for gateway in network.gateways}
    for site in (*network.sites, *network.retired):
        points = _store_points(conn, sites[site.key], site, at_ms)
        blocks = plan_blocks(site, of_gateway[site.gateway])
        layout = site_layout(0, sites[site.key], site.points, points, blocks)
        kept = keep_layout(conn, layout, at_ms)
        _set(conn, schema.site, sites[site.key], layout_id=kept.id)
    log_change(conn, at_ms, "network", str(revision_id))
    return revision_id


def revision(conn: Connection) -> int:
    """Return the number of the network's newest revision, 0 where there is no network yet."""
    return conn.execute(select(schema.network.c.revision_id)).scalar() or 0


def load_written(conn: Connection) -> Written:
    """Return what people wrote, key for key; empty where there is no network yet."""
    top = conn.execute(select(schema.network.c.written)).scalar()
    if top is None:
        return {}
    written: Written = dict(json.loads(top))
    profile_points = _points_by_owner(conn, schema.profile_point, "profile_id")
    site_points = _points_by_owner(conn, schema.site_point, "site_id")
    written["gateway"] = [body for _, body in _bodies(conn, schema.gateway)]
    written["profile"] = [
        _with_points(body, profile_points.get(owner))
        for owner, body in _bodies(conn, schema.profile)
    ]
    written["site"] = [
        _with_points(body, site_points.get(owner)) for owner, body in _bodies(conn, schema.site)
    ]
    return {key: value for key, value in written.items() if value or key not in TABLES}


def load_plan(conn: Connection, network: Network) -> PollPlan:
    """Return what is polled, in the order of the network file.

    Args:
        conn: a reading connection.
        network: built from ``load_written`` of the same database.

    Raises:
        StorageError: the network given is not the one that was stored.

    """
    table = schema.site
    columns = (table.c.key, table.c.id, table.c.layout_id, table.c.via_site_id)
    sites = {row.key: row for row in conn.execute(select(*columns).where(_in_file(table)))}
    gateways = _ids(conn, schema.gateway)
    _check_same(conn, network)
    layouts = load_layouts(conn, (row.layout_id for row in sites.values()))

    def plan(site: Site) -> SitePlan:
        row = sites[site.key]
        return SitePlan(row.id, site, layouts[row.layout_id], row.via_site_id)

    return PollPlan(
        revision(conn),
        tuple(
            GatewayPlan(
                gateways[gateway.key],
                gateway,
                tuple(plan(site) for site in network.sites if site.gateway == gateway.key),
            )
            for gateway in network.gateways
        ),
        tuple((gateways[site.gateway], plan(site)) for site in network.retired),
    )


# --- reading back ---------------------------------------------------------------------


def _bodies(conn: Connection, table: SqlTable) -> list[tuple[int, Written]]:
    query = select(table.c.id, table.c.body).order_by(table.c.rank)
    if "retired_ms" in table.c:
        query = query.where(_in_file(table))
    return [(row.id, json.loads(row.body)) for row in conn.execute(query)]


def _in_file(table: SqlTable) -> ColumnElement[bool]:
    """Return what holds for the rows that are in the network file."""
    used = table.c.retired_ms.is_(None)
    return or_(used, table.c.listed == 1) if "listed" in table.c else used


def _check_same(conn: Connection, network: Network) -> None:
    given = {site.key for site in (*network.sites, *network.retired)}
    given |= {gateway.key for gateway in network.gateways}
    stored: set[str] = set()
    for table in (schema.site, schema.gateway):
        stored |= set(conn.execute(select(table.c.key).where(_in_file(table))).scalars())
    if given != stored:
        other = min(given ^ stored)
        raise StorageError(f"The network asked for is not the stored one: they differ in {other}.")


def _points_by_owner(conn: Connection, table: SqlTable, owner: str) -> dict[int, list[Written]]:
    points: dict[int, list[Written]] = {}
    for row in conn.execute(
        select(table.c[owner].label("owner"), table.c.body).order_by(table.c.rank)
    ):
        points.setdefault(row.owner, []).append(json.loads(row.body))
    return points


def _with_points(body: Written, points: list[Written] | None) -> Written:
    return {**body, "point": points} if points else body


# --- writing --------------------------------------------------------------------------


def _store_top(conn: Connection, written: Written, network: Network, revision_id: int) -> None:
    top = {key: value for key, value in written.items() if key not in TABLES}
    row = {
        "id": 1,
        "title": network.title,
        "time_zone": network.time_zone,
        "contract_hour": network.contract_hour,
        "contract_zone": network.contract_zone,
        "written": canonical(top),
        "revision_id": revision_id,
    }
    conn.execute(upsert(conn.dialect.name, schema.network), [row])


def _store_gateways(conn: Connection, written: Written, at_ms: int) -> dict[str, int]:
    _retire_all(conn, schema.gateway, at_ms)
    for rank, body in enumerate(written.get("gateway", [])):
        row = {"rank": rank, "body": canonical(body), "retired_ms": None}
        _put_by_key(conn, schema.gateway, body["key"], row)
    return _ids(conn, schema.gateway)


def _store_profiles(conn: Connection, written: Written) -> dict[str, int]:
    bodies = written.get("profile", [])
    for rank, body in enumerate(bodies):
        row = {"rank": rank, "body": canonical(_without_points(body))}
        owner = _put_by_key(conn, schema.profile, body["key"], row)
        _put_points(conn, schema.profile_point, "profile_id", owner, body.get("point", []))
    _drop_profiles(conn, {body["key"] for body in bodies})
    return _ids(conn, schema.profile)


def _drop_profiles(conn: Connection, kept: set[str]) -> None:
    for key, number in _ids(conn, schema.profile).items():
        if key not in kept:
            site, point = schema.site, schema.profile_point
            conn.execute(update(site).where(site.c.profile_id == number).values(profile_id=null()))
            conn.execute(delete(point).where(point.c.profile_id == number))
            conn.execute(delete(schema.profile).where(schema.profile.c.id == number))


def _store_sites(
    conn: Connection,
    written: Written,
    network: Network,
    gateways: Mapping[str, int],
    profiles: Mapping[str, int],
    at_ms: int,
) -> dict[str, int]:
    # All retire first and those of the file return: two sites may trade unit addresses.
    _retire_all(conn, schema.site, at_ms)
    conn.execute(update(schema.site).values(listed=None))
    known = (*network.sites, *network.retired)
    by_key = {site.key: site for site in known}
    for rank, body in enumerate(written.get("site", [])):
        site = by_key[body["key"]]
        row = {
            "rank": rank,
            "gateway_id": gateways[site.gateway],
            "unit": site.unit,
            "profile_id": profiles.get(site.profile),
            "body": canonical(_without_points(body)),
            "retired_ms": at_ms if site.retired else None,
            "listed": 1 if site.retired else None,
        }
        owner = _put_by_key(conn, schema.site, site.key, row)
        _put_points(conn, schema.site_point, "site_id", owner, body.get("point", []))
    sites = _ids(conn, schema.site)
    for site in known:
        via = sites[site.via] if site.via else None
        _set(conn, schema.site, sites[site.key], via_site_id=via)
    return sites


def _store_points(conn: Connection, site_id: int, site: Site, at_ms: int) -> dict[str, int]:
    table = schema.point
    mine = table.c.site_id == site_id
    rows = conn.execute(select(table.c.tag, table.c.id, table.c.retired_ms).where(mine)).all()
    known = {row.tag: row.id for row in rows}
    for point in site.points:
        if point.tag in known:
            _set(conn, table, known[point.tag], kind=point.kind.value, retired_ms=None)
            continue
        new = {"site_id": site_id, "tag": point.tag, "kind": point.kind.value, "created_ms": at_ms}
        known[point.tag] = conn.execute(insert(table).returning(table.c.id), new).scalar_one()
    tags = {point.tag for point in site.points}
    for old in rows:
        if old.tag not in tags and old.retired_ms is None:
            _set(conn, table, old.id, retired_ms=at_ms)
    return {tag: number for tag, number in known.items() if tag in tags}


def _without_points(body: Written) -> Written:
    return {key: value for key, value in body.items() if key != "point"}


def _put_points(
    conn: Connection, table: SqlTable, owner: str, owner_id: int, bodies: Sequence[Written]
) -> None:
    conn.execute(delete(table).where(table.c[owner] == owner_id))
    rows = [
        {owner: owner_id, "tag": body["tag"], "rank": rank, "body": canonical(body)}
        for rank, body in enumerate(bodies)
    ]
    if rows:
        conn.execute(insert(table), rows)


def _put_by_key(conn: Connection, table: SqlTable, key: str, row: Mapping[str, Any]) -> int:
    known: int | None = conn.execute(select(table.c.id).where(table.c.key == key)).scalar()
    if known is None:
        new = {"key": key, **row}
        return int(conn.execute(insert(table).returning(table.c.id), new).scalar_one())
    _set(conn, table, known, **row)
    return known


def _set(conn: Connection, table: SqlTable, number: int, **columns: Any) -> None:
    conn.execute(update(table).where(table.c.id == number).values(**columns))


def _retire_all(conn: Connection, table: SqlTable, at_ms: int) -> None:
    conn.execute(update(table).where(table.c.retired_ms.is_(None)).values(retired_ms=at_ms))


def _ids(conn: Connection, table: SqlTable) -> dict[str, int]:
    return {row.key: row.id for row in conn.execute(select(table.c.key, table.c.id))}
