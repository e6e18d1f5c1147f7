"""Days: what the hours of each contract day add up to; points' hours packed by UTC day."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"

_id = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "comm_day",
        sa.Column("site_id", _id, autoincrement=False, nullable=False),
        sa.Column("day_ms", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("end_ms", sa.BigInteger(), nullable=False),
        *_whole("asked", "first_try", "retried", "no_answer", "garbled", "refused"),
        *_whole("gateway_lost", "maintenance_ms"),
        sa.Column("hours", sa.LargeBinary(), nullable=False),
        sa.Column("answers", sa.LargeBinary(), nullable=False),
        sa.Column("codes", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("site_id", "day_ms", name=op.f("pk_comm_day")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "point_day",
        sa.Column("point_id", _id, autoincrement=False, nullable=False),
        sa.Column("day_ms", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("layout_id", _id, autoincrement=False, nullable=False),
        sa.Column("end_ms", sa.BigInteger(), nullable=False),
        *_whole("n"),
        *(
            sa.Column(name, sa.Double(), nullable=False)
            for name in ("sum", "min", "max", "first", "last")
        ),
        *_whole("changes", "on_ms"),
        sa.PrimaryKeyConstraint("point_id", "day_ms", "layout_id", name=op.f("pk_point_day")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "point_pack",
        sa.Column("site_id", _id, autoincrement=False, nullable=False),
        sa.Column("day_ms", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("site_id", "day_ms", name=op.f("pk_point_pack")),
    )


def _whole(*names: str) -> list[sa.Column[int]]:
    return [sa.Column(name, sa.Integer(), nullable=False) for name in names]
