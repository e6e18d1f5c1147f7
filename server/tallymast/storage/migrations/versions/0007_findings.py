"""Findings as they were named, and what visitors said of them."""

import sqlalchemy as sa
from alembic import op

from tallymast.storage.migrations.triggers import only_grows

revision = "0007"
down_revision = "0006"

_id = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_word = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
_ms = sa.BigInteger()
_open = sa.text("until_ms IS NULL")


def upgrade() -> None:
    op.create_table(
        "finding",
        sa.Column("id", _id, nullable=False),
        sa.Column("site_id", _id),
        sa.Column("gateway_id", _id, nullable=False),
        sa.Column("cause", _word, nullable=False),
        sa.Column("tag", _word, nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("since_ms", _ms, nullable=False),
        sa.Column("named_ms", _ms, nullable=False),
        sa.Column("last_ms", _ms, nullable=False),
        sa.Column("until_ms", _ms),
        sa.Column("rank", sa.Integer(), nullable=False),
        sa.Column("confidence", sa.SmallInteger(), nullable=False),
        sa.Column("evidence", sa.Text(), nullable=False),
        sa.Column("shared", sa.Text(), nullable=False),
        sa.Column("judged_ms", _ms, nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_finding_site_id")),
        sa.ForeignKeyConstraint(["gateway_id"], ["gateway.id"], name=op.f("fk_finding_gateway_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_finding")),
    )
    op.create_index(op.f("ix_finding_site_id_id"), "finding", ["site_id", "id"])
    op.create_index(
        "uq_finding_site_id_cause_tag_open",
        "finding",
        ["site_id", "cause", "tag"],
        unique=True,
        sqlite_where=_open,
        postgresql_where=_open,
    )
    op.create_table(
        "finding_word",
        sa.Column("id", _id, nullable=False),
        sa.Column("finding_id", _id, nullable=False),
        sa.Column("at_ms", _ms, nullable=False),
        sa.Column("actor", _word, nullable=False),
        sa.Column("verdict", _word, nullable=False),
        sa.Column("cause_found", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["finding_id"], ["finding.id"], name=op.f("fk_finding_word_finding_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_finding_word")),
    )
    op.create_index(op.f("ix_finding_word_finding_id"), "finding_word", ["finding_id"])
    only_grows("finding_word")
