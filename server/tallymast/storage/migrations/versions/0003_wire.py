"""Wire: the last exchanges of a gateway in bytes, while somebody watches."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"

_id = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_word = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def upgrade() -> None:
    op.create_table(
        "wire",
        sa.Column("gateway_id", _id, autoincrement=False, nullable=False),
        sa.Column("slot", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("n", sa.BigInteger(), nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("way", _word, nullable=False),
        sa.Column("site_id", _id),
        sa.Column("bytes", sa.LargeBinary(), nullable=False),
        sa.Column("meaning", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("gateway_id", "slot", name=op.f("pk_wire")),
        sqlite_with_rowid=False,
    )
