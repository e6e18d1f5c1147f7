"""Alarms: what is set up, how each stands, and the journal that only grows."""

import sqlalchemy as sa
from alembic import op

from tallymast.storage.migrations.triggers import only_grows

revision = "0009"
down_revision = "0008"

_id = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_word = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
_ms = sa.BigInteger()


def upgrade() -> None:
    _alarm()
    _state()
    _journal()


def _alarm() -> None:
    op.create_table(
        "alarm",
        sa.Column("id", _id, nullable=False),
        sa.Column("key", _word, nullable=False),
        sa.Column("gateway_id", _id),
        sa.Column("site_id", _id),
        sa.Column("point_id", _id),
        sa.Column("kind", _word, nullable=False),
        sa.Column("priority", _word, nullable=False),
        sa.Column("params", sa.Text(), nullable=False),
        sa.Column("rationale", sa.Text(), nullable=False),
        sa.Column("consequence", sa.Text(), nullable=False),
        sa.Column("response", sa.Text(), nullable=False),
        sa.Column("on_delay_ms", _ms, nullable=False),
        sa.Column("off_delay_ms", _ms, nullable=False),
        sa.Column("deadband", sa.Double(), nullable=False),
        sa.Column("first_up_group", _word, nullable=False),
        sa.Column("latched", sa.SmallInteger(), nullable=False),
        sa.Column("entered_ms", _ms, nullable=False),
        sa.Column("retired_ms", _ms),
        sa.ForeignKeyConstraint(["gateway_id"], ["gateway.id"], name=op.f("fk_alarm_gateway_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_alarm_site_id")),
        sa.ForeignKeyConstraint(["point_id"], ["point.id"], name=op.f("fk_alarm_point_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_alarm")),
    )
    op.create_index(
        op.f("uq_alarm_key_in_use"),
        "alarm",
        ["key"],
        unique=True,
        sqlite_where=sa.text("retired_ms IS NULL"),
        postgresql_where=sa.text("retired_ms IS NULL"),
    )


def _state() -> None:
    op.create_table(
        "alarm_state",
        sa.Column("alarm_id", _id, autoincrement=False, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("state", _word, nullable=False),
        sa.Column("condition", _word, nullable=False),
        sa.Column("raised_ms", _ms),
        sa.Column("cleared_ms", _ms),
        sa.Column("acked_ms", _ms),
        sa.Column("acked_by", _word, nullable=False),
        sa.Column("pending_ms", _ms),
        sa.Column("pending_n", sa.Integer(), nullable=False),
        sa.Column("seen_ms", _ms),
        sa.Column("value", sa.Text(), nullable=False),
        sa.Column("shelved_until_ms", _ms),
        sa.Column("shelved_by", _word, nullable=False),
        sa.Column("shelved_why", sa.Text(), nullable=False),
        sa.Column("suppressed_by", sa.Text(), nullable=False),
        sa.Column("out_of_service", sa.Text(), nullable=False),
        sa.Column("first", sa.SmallInteger(), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["alarm_id"], ["alarm.id"], name=op.f("fk_alarm_state_alarm_id")),
        sa.PrimaryKeyConstraint("alarm_id", name=op.f("pk_alarm_state")),
    )


def _journal() -> None:
    op.create_table(
        "alarm_journal",
        sa.Column("id", _id, nullable=False),
        sa.Column("at_ms", _ms, nullable=False),
        sa.Column("alarm_id", _id, nullable=False),
        sa.Column("event", _word, nullable=False),
        sa.Column("from_state", _word, nullable=False),
        sa.Column("to_state", _word, nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.Column("actor", _word, nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["alarm_id"], ["alarm.id"], name=op.f("fk_alarm_journal_alarm_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_alarm_journal")),
    )
    op.create_index(op.f("ix_alarm_journal_at_ms"), "alarm_journal", ["at_ms"])
    op.create_index(op.f("ix_alarm_journal_alarm_id_at_ms"), "alarm_journal", ["alarm_id", "at_ms"])
    only_grows("alarm_journal")
