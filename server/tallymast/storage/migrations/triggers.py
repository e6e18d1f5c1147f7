"""Triggers that steps create; what a released step made of them is never changed."""

from alembic import op


def only_grows(table: str) -> None:
    """Let a trigger refuse every UPDATE and DELETE of the table."""
    if op.get_bind().dialect.name == "sqlite":
        for act in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_only_grows_{act.lower()} BEFORE {act} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, '{table} rows are never changed'); END"
            )
        return
    op.execute(
        f"CREATE FUNCTION {table}_only_grows() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{table} rows are never changed'; END $$"
    )
    op.execute(
        f"CREATE TRIGGER {table}_only_grows BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
        f"FOR EACH STATEMENT EXECUTE FUNCTION {table}_only_grows()"
    )


def sealed(table: str, when: str, parts: tuple[str, ...]) -> None:
    """Let triggers refuse changes of a row once ``when`` holds for it, and of its parts.

    Args:
        table: with a column ``id``.
        when: a condition on the columns of the row as it lies there.
        parts: tables whose rows belong to one of it by a column ``<table>_id``.

    """
    condition = f"OLD.{when}"
    owner = f"SELECT 1 FROM {table} o WHERE o.id = {{row}}.{table}_id AND o.{when}"
    sentence = f"a sealed {table} is never changed"
    for act in ("UPDATE", "DELETE"):
        _refuse(table, act, condition, sentence)
    for part in parts:
        for act, rows in (("INSERT", ("NEW",)), ("UPDATE", ("OLD", "NEW")), ("DELETE", ("OLD",))):
            held = " OR ".join(f"EXISTS ({owner.format(row=row)})" for row in rows)
            _refuse(part, act, held, sentence)


def _refuse(table: str, act: str, condition: str, sentence: str) -> None:
    name = f"{table}_sealed_{act.lower()}"
    if op.get_bind().dialect.name == "sqlite":
        op.execute(
            f"CREATE TRIGGER {name} BEFORE {act} ON {table} WHEN {condition} "
            f"BEGIN SELECT RAISE(ABORT, '{sentence}'); END"
        )
        return
    back = "OLD" if act == "DELETE" else "NEW"
    op.execute(
        f"CREATE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
        f"IF {condition} THEN RAISE EXCEPTION '{sentence}'; END IF; RETURN {back}; END $$"
    )
    op.execute(
        f"CREATE TRIGGER {name} BEFORE {act} ON {table} FOR EACH ROW EXECUTE FUNCTION {name}()"
    )
