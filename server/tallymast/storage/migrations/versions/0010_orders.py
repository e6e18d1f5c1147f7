"""Orders to outputs with their steps, do-not-operate tags, and who is told of alarms."""

import sqlalchemy as sa
from alembic import op

from tallymast.storage.migrations.triggers import only_grows

revision = "0010"
down_revision = "0009"

_id = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_word = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
_ms = sa.BigInteger()


def upgrade() -> None:
    _orders()
    _tags()
    _telling()


def _orders() -> None:
    op.create_table(
        "orders",
        sa.Column("id", _id, nullable=False),
        sa.Column("request_key", _word, nullable=False),
        sa.Column("made_ms", _ms, nullable=False),
        sa.Column("actor", _word, nullable=False),
        sa.Column("account_id", _id),
        sa.Column("site_id", _id, nullable=False),
        sa.Column("point_id", _id, nullable=False),
        sa.Column("kind", _word, nullable=False),
        sa.Column("want", sa.Double()),
        sa.Column("duration_ms", _ms),
        sa.Column("seen", sa.Text(), nullable=False),
        sa.Column("seen_ms", _ms),
        sa.Column("state", _word, nullable=False),
        sa.Column("state_ms", _ms, nullable=False),
        sa.Column("expires_ms", _ms, nullable=False),
        sa.Column("worker", _word, nullable=False),
        sa.Column("code", sa.Integer(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("sent_ms", _ms),
        sa.Column("readback", sa.Double()),
        sa.Column("readback_ms", _ms),
        sa.Column("feedback", _word, nullable=False),
        sa.Column("feedback_ms", _ms),
        sa.Column("feedback_said", sa.Text(), nullable=False),
        sa.Column("source", _word, nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_orders_site_id")),
        sa.ForeignKeyConstraint(["point_id"], ["point.id"], name=op.f("fk_orders_point_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_orders")),
        sa.UniqueConstraint("request_key", name=op.f("uq_orders_request_key")),
    )
    op.create_index(op.f("ix_orders_state"), "orders", ["state"])
    op.create_index(op.f("ix_orders_point_id"), "orders", ["point_id"])
    op.create_index(op.f("ix_orders_site_id_made_ms"), "orders", ["site_id", "made_ms"])
    op.create_table(
        "order_step",
        sa.Column("order_id", _id, autoincrement=False, nullable=False),
        sa.Column("n", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at_ms", _ms, nullable=False),
        sa.Column("state", _word, nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["order_id"], ["orders.id"], name=op.f("fk_order_step_order_id")),
        sa.PrimaryKeyConstraint("order_id", "n", name=op.f("pk_order_step")),
        sqlite_with_rowid=False,
    )
    only_grows("order_step")


def _tags() -> None:
    op.create_table(
        "tag_out",
        sa.Column("id", _id, nullable=False),
        sa.Column("site_id", _id, nullable=False),
        sa.Column("point_id", _id),
        sa.Column("actor", _word, nullable=False),
        sa.Column("account_id", _id),
        sa.Column("at_ms", _ms, nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("removed_ms", _ms),
        sa.Column("removed_by", _word, nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_tag_out_site_id")),
        sa.ForeignKeyConstraint(["point_id"], ["point.id"], name=op.f("fk_tag_out_point_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tag_out")),
    )
    op.create_index(op.f("ix_tag_out_site_id"), "tag_out", ["site_id"])


def _telling() -> None:
    op.create_table(
        "contact",
        sa.Column("id", _id, nullable=False),
        sa.Column("name", _word, nullable=False),
        sa.Column("way", _word, nullable=False),
        sa.Column("address", _word, nullable=False),
        sa.Column("secret", _word, nullable=False),
        sa.Column("priorities", sa.Text(), nullable=False),
        sa.Column("areas", sa.Text(), nullable=False),
        sa.Column("level", sa.SmallInteger(), nullable=False),
        sa.Column("digest", sa.SmallInteger(), nullable=False),
        sa.Column("account_id", _id),
        sa.Column("made_ms", _ms, nullable=False),
        sa.Column("retired_ms", _ms),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_contact")),
    )
    op.create_table(
        "message",
        sa.Column("id", _id, nullable=False),
        sa.Column("contact_id", _id, nullable=False),
        sa.Column("kind", _word, nullable=False),
        sa.Column("priority", _word, nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("alarms", sa.Text(), nullable=False),
        sa.Column("made_ms", _ms, nullable=False),
        sa.Column("state", _word, nullable=False),
        sa.Column("tries", sa.Integer(), nullable=False),
        sa.Column("due_ms", _ms, nullable=False),
        sa.Column("done_ms", _ms),
        sa.ForeignKeyConstraint(["contact_id"], ["contact.id"], name=op.f("fk_message_contact_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_message")),
    )
    op.create_index(op.f("ix_message_state"), "message", ["state"])
    op.create_index(op.f("ix_message_made_ms"), "message", ["made_ms"])
    op.create_table(
        "message_try",
        sa.Column("message_id", _id, autoincrement=False, nullable=False),
        sa.Column("n", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at_ms", _ms, nullable=False),
        sa.Column("outcome", _word, nullable=False),
        sa.Column("said", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["message_id"], ["message.id"], name=op.f("fk_message_try_message_id")
        ),
        sa.PrimaryKeyConstraint("message_id", "n", name=op.f("pk_message_try")),
        sqlite_with_rowid=False,
    )
    only_grows("message_try")
