"""People: accounts, sessions, tokens, one-time links, and the audit that only grows."""

import sqlalchemy as sa
from alembic import op

from tallymast.storage.migrations.triggers import only_grows

revision = "0004"
down_revision = "0003"

_id = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_word = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
_ms = sa.BigInteger()


def upgrade() -> None:
    op.create_table(
        "account",
        sa.Column("id", _id, nullable=False),
        sa.Column("name", _word, nullable=False),
        sa.Column("role", _word, nullable=False),
        sa.Column("password_hash", sa.Text()),
        sa.Column("created_ms", _ms, nullable=False),
        sa.Column("disabled_ms", _ms),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_account")),
        sa.UniqueConstraint("name", name=op.f("uq_account_name")),
    )
    op.create_table(
        "session",
        sa.Column("hash", _word, nullable=False),
        sa.Column("account_id", _id, nullable=False),
        sa.Column("made_ms", _ms, nullable=False),
        sa.Column("seen_ms", _ms, nullable=False),
        sa.Column("ends_ms", _ms, nullable=False),
        sa.Column("reauth_ms", _ms, nullable=False),
        sa.Column("address", _word, nullable=False),
        sa.PrimaryKeyConstraint("hash", name=op.f("pk_session")),
        sa.ForeignKeyConstraint(["account_id"], ["account.id"], name=op.f("fk_session_account_id")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "token",
        sa.Column("id", _id, nullable=False),
        sa.Column("hash", _word, nullable=False),
        sa.Column("name", _word, nullable=False),
        sa.Column("role", _word, nullable=False),
        sa.Column("account_id", _id),
        sa.Column("made_ms", _ms, nullable=False),
        sa.Column("ends_ms", _ms, nullable=False),
        sa.Column("revoked_ms", _ms),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_token")),
        sa.UniqueConstraint("hash", name=op.f("uq_token_hash")),
        sa.ForeignKeyConstraint(["account_id"], ["account.id"], name=op.f("fk_token_account_id")),
    )
    op.create_table(
        "once",
        sa.Column("hash", _word, nullable=False),
        sa.Column("purpose", _word, nullable=False),
        sa.Column("subject", _word, nullable=False),
        sa.Column("account_id", _id),
        sa.Column("ends_ms", _ms, nullable=False),
        sa.Column("used_ms", _ms),
        sa.PrimaryKeyConstraint("hash", name=op.f("pk_once")),
        sa.ForeignKeyConstraint(["account_id"], ["account.id"], name=op.f("fk_once_account_id")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "audit",
        sa.Column("id", _id, nullable=False),
        sa.Column("at_ms", _ms, nullable=False),
        sa.Column("actor", _word, nullable=False),
        sa.Column("account_id", _id),
        sa.Column("address", _word, nullable=False),
        sa.Column("action", _word, nullable=False),
        sa.Column("subject_kind", _word, nullable=False),
        sa.Column("subject_key", _word, nullable=False),
        sa.Column("before", sa.Text()),
        sa.Column("after", sa.Text()),
        sa.Column("sentence", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_audit")),
    )
    op.create_index(op.f("ix_audit_at_ms"), "audit", ["at_ms"])
    only_grows("audit")
