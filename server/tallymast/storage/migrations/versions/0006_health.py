"""Site health: runs of missed polls, each day's round, notes from shift to shift."""

import sqlalchemy as sa
from alembic import op

from tallymast.storage.migrations.triggers import only_grows

revision = "0006"
down_revision = "0005"

_id = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_word = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
_ms = sa.BigInteger()
_AGAIN_MS = 30 * 86_400_000  # so far back runs are found for hours that were stored without


def upgrade() -> None:
    op.add_column("comm_hour", sa.Column("runs", sa.LargeBinary()))
    op.add_column("comm_day", sa.Column("runs", sa.LargeBinary()))
    op.execute(
        "INSERT INTO dirty (kind, key_id, start_ms) "
        "SELECT 'hour', h.site_id, h.hour_ms FROM comm_hour h "
        f"WHERE h.hour_ms >= (SELECT MAX(hour_ms) - {_AGAIN_MS} FROM comm_hour) AND NOT EXISTS "
        "(SELECT 1 FROM dirty d WHERE d.kind = 'hour' AND d.key_id = h.site_id "
        "AND d.start_ms = h.hour_ms)"
    )
    op.create_table(
        "round_day",
        sa.Column("day", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at_ms", _ms, nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("day", name=op.f("pk_round_day")),
    )
    op.create_table(
        "handover",
        sa.Column("id", _id, nullable=False),
        sa.Column("at_ms", _ms, nullable=False),
        sa.Column("actor", _word, nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_handover")),
    )
    op.create_index(op.f("ix_handover_at_ms"), "handover", ["at_ms"])
    only_grows("handover")
