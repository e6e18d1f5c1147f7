"""Volumes by hour, factors with dates, adjustments, closed months, index readings, permits."""

import sqlalchemy as sa
from alembic import op

from tallymast.storage.migrations.triggers import only_grows

revision = "0011"
down_revision = "0010"

_id = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_word = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
_ms = sa.BigInteger()


def upgrade() -> None:
    _hours()
    _factors()
    _people_said()
    _plans()


def _hours() -> None:
    op.create_table(
        "volume_hour",
        sa.Column("point_id", _id, autoincrement=False, nullable=False),
        sa.Column("from_ms", _ms, autoincrement=False, nullable=False),
        sa.Column("to_ms", _ms, nullable=False),
        sa.Column("pulses", sa.Double(), nullable=False),
        sa.Column("lead", sa.Double(), nullable=False),
        sa.Column("tail", sa.Double(), nullable=False),
        sa.Column("through", sa.SmallInteger(), nullable=False),
        sa.Column("known_ms", sa.Integer(), nullable=False),
        sa.Column("unknown", sa.Double()),
        sa.Column("unproven", sa.Double()),
        sa.Column("open", sa.Double()),
        sa.Column("close", sa.Double()),
        sa.PrimaryKeyConstraint("point_id", "from_ms", name=op.f("pk_volume_hour")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "volume_event",
        sa.Column("point_id", _id, autoincrement=False, nullable=False),
        sa.Column("to_ms", _ms, autoincrement=False, nullable=False),
        sa.Column("kind", _word, nullable=False),
        sa.Column("from_ms", _ms, nullable=False),
        sa.Column("before", sa.Double(), nullable=False),
        sa.Column("after", sa.Double(), nullable=False),
        sa.Column("pulses", sa.Double(), nullable=False),
        sa.Column("unknown", sa.Double()),
        sa.Column("unproven", sa.Double()),
        sa.PrimaryKeyConstraint("point_id", "to_ms", "kind", name=op.f("pk_volume_event")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "volume_basis",
        sa.Column("site_id", _id, autoincrement=False, nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("next_ms", _ms),
        sa.PrimaryKeyConstraint("site_id", name=op.f("pk_volume_basis")),
        sqlite_with_rowid=False,
    )


def _factors() -> None:
    op.create_table(
        "k_factor",
        sa.Column("point_id", _id, autoincrement=False, nullable=False),
        sa.Column("from_ms", _ms, autoincrement=False, nullable=False),
        sa.Column("per_pulse", _word, nullable=False),
        sa.Column("unit", _word, nullable=False),
        sa.Column("at_ms", _ms, nullable=False),
        sa.Column("actor", _word, nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["point_id"], ["point.id"], name=op.f("fk_k_factor_point_id")),
        sa.PrimaryKeyConstraint("point_id", "from_ms", name=op.f("pk_k_factor")),
        sqlite_with_rowid=False,
    )


def _people_said() -> None:
    op.create_table(
        "adjustment",
        sa.Column("id", _id, nullable=False),
        sa.Column("point_id", _id, nullable=False),
        sa.Column("from_ms", _ms, nullable=False),
        sa.Column("to_ms", _ms, nullable=False),
        sa.Column("amount", _word, nullable=False),
        sa.Column("unit", _word, nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("at_ms", _ms, nullable=False),
        sa.Column("actor", _word, nullable=False),
        sa.Column("reverses_id", _id),
        sa.ForeignKeyConstraint(["point_id"], ["point.id"], name=op.f("fk_adjustment_point_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_adjustment")),
        sa.UniqueConstraint("reverses_id", name=op.f("uq_adjustment_reverses_id")),
    )
    op.create_index(op.f("ix_adjustment_point_id_from_ms"), "adjustment", ["point_id", "from_ms"])
    only_grows("adjustment")
    op.create_table(
        "month_close",
        sa.Column("point_id", _id, autoincrement=False, nullable=False),
        sa.Column("month", _word, nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at_ms", _ms, nullable=False),
        sa.Column("actor", _word, nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("figures", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["point_id"], ["point.id"], name=op.f("fk_month_close_point_id")),
        sa.PrimaryKeyConstraint("point_id", "month", "version", name=op.f("pk_month_close")),
        sqlite_with_rowid=False,
    )
    only_grows("month_close")
    op.create_table(
        "index_reading",
        sa.Column("id", _id, nullable=False),
        sa.Column("point_id", _id, nullable=False),
        sa.Column("read_ms", _ms, nullable=False),
        sa.Column("shows", _word, nullable=False),
        sa.Column("unit", _word, nullable=False),
        sa.Column("begins", sa.SmallInteger(), nullable=False),
        sa.Column("at_ms", _ms, nullable=False),
        sa.Column("actor", _word, nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["point_id"], ["point.id"], name=op.f("fk_index_reading_point_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_index_reading")),
    )
    op.create_index(
        op.f("ix_index_reading_point_id_read_ms"), "index_reading", ["point_id", "read_ms"]
    )
    only_grows("index_reading")


def _plans() -> None:
    op.create_table(
        "permit",
        sa.Column("id", _id, nullable=False),
        sa.Column("name", _word, nullable=False),
        sa.Column("period", _word, nullable=False),
        sa.Column("amount", _word, nullable=False),
        sa.Column("unit", _word, nullable=False),
        sa.Column("points", sa.Text(), nullable=False),
        sa.Column("from_ms", _ms, nullable=False),
        sa.Column("at_ms", _ms, nullable=False),
        sa.Column("actor", _word, nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("retired_ms", _ms),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_permit")),
    )
    op.create_table(
        "balance_group",
        sa.Column("id", _id, nullable=False),
        sa.Column("name", _word, nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("at_ms", _ms, nullable=False),
        sa.Column("actor", _word, nullable=False),
        sa.Column("retired_ms", _ms),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_balance_group")),
    )
