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
