"""Nights: what each night says about a site's supply."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"

_id = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "night",
        sa.Column("site_id", _id, autoincrement=False, nullable=False),
        sa.Column("day", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("low_v", sa.Double()),
        sa.Column("low_ms", sa.BigInteger()),
        sa.Column("predawn_v", sa.Double()),
        sa.Column("peak_v", sa.Double()),
        sa.Column("peak_ms", sa.BigInteger()),
        sa.Column("n", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("site_id", "day", name=op.f("pk_night")),
        sqlite_with_rowid=False,
    )
