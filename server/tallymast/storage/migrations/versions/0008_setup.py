"""What setting up and proving a network keeps: parts, tasks, proofs, drafts, hand readings."""

import sqlalchemy as sa
from alembic import op

from tallymast.storage.migrations.triggers import only_grows, sealed

revision = "0008"
down_revision = "0007"

_id = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_word = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
_ms = sa.BigInteger()


def upgrade() -> None:
    op.add_column("site", sa.Column("listed", sa.SmallInteger()))
    op.add_column("job", sa.Column("stop_ms", _ms))
    _work()
    _life()
    _proofs()


def _work() -> None:
    op.create_table(
        "job_row",
        sa.Column("job_id", _id, autoincrement=False, nullable=False),
        sa.Column("n", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("job_id", "n", name=op.f("pk_job_row")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "draft",
        sa.Column("id", _id, nullable=False),
        sa.Column("kind", _word, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("made_ms", _ms, nullable=False),
        sa.Column("actor", _word, nullable=False),
        sa.Column("account_id", _id),
        sa.Column("revision_id", _id, nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("ended_ms", _ms),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_draft")),
    )


def _life() -> None:
    op.create_table(
        "part",
        sa.Column("id", _id, nullable=False),
        sa.Column("site_id", _id),
        sa.Column("kind", _word, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("serial", _word, nullable=False),
        sa.Column("version", _word, nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.Column("place", sa.Text(), nullable=False),
        sa.Column("from_ms", _ms, nullable=False),
        sa.Column("to_ms", _ms),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("actor", _word, nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_part_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_part")),
    )
    op.create_index(op.f("ix_part_site_id"), "part", ["site_id"])
    op.create_table(
        "task",
        sa.Column("id", _id, nullable=False),
        sa.Column("site_id", _id),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("due_day", sa.Integer(), nullable=False),
        sa.Column("every_months", sa.Integer()),
        sa.Column("made_ms", _ms, nullable=False),
        sa.Column("actor", _word, nullable=False),
        sa.Column("done_ms", _ms),
        sa.Column("done_by", _word),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_task_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_task")),
    )
    op.create_table(
        "hand_reading",
        sa.Column("id", _id, nullable=False),
        sa.Column("site_id", _id, nullable=False),
        sa.Column("tag", _word, nullable=False),
        sa.Column("at_ms", _ms, nullable=False),
        sa.Column("hand", sa.Double(), nullable=False),
        sa.Column("shown", sa.Double(), nullable=False),
        sa.Column("shown_ms", _ms),
        sa.Column("offset_before", sa.Double(), nullable=False),
        sa.Column("offset_after", sa.Double(), nullable=False),
        sa.Column("revision_id", _id),
        sa.Column("actor", _word, nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_hand_reading_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_hand_reading")),
    )
    only_grows("hand_reading")
    op.create_table(
        "count_event",
        sa.Column("id", _id, nullable=False),
        sa.Column("point_id", _id, nullable=False),
        sa.Column("at_ms", _ms, nullable=False),
        sa.Column("kind", _word, nullable=False),
        sa.Column("before", sa.Double()),
        sa.Column("after", sa.Double()),
        sa.Column("unknown", sa.Double()),
        sa.Column("source", _word, nullable=False),
        sa.Column("actor", _word, nullable=False),
        sa.ForeignKeyConstraint(["point_id"], ["point.id"], name=op.f("fk_count_event_point_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_count_event")),
        sa.UniqueConstraint("point_id", "at_ms", "kind", name=op.f("uq_count_event_point_id")),
    )


def _proofs() -> None:
    op.create_table(
        "proof",
        sa.Column("id", _id, nullable=False),
        sa.Column("site_id", _id, nullable=False),
        sa.Column("kind", _word, nullable=False),
        sa.Column("part_id", _id),
        sa.Column("follows_id", _id),
        sa.Column("began_ms", _ms, nullable=False),
        sa.Column("made_ms", _ms),
        sa.Column("signed_ms", _ms),
        sa.Column("signed_name", _word, nullable=False),
        sa.Column("at_site", _word, nullable=False),
        sa.Column("at_base", _word, nullable=False),
        sa.Column("actor", _word, nullable=False),
        sa.Column("state", _word, nullable=False),
        sa.Column("versions", sa.Text(), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_proof_site_id")),
        sa.ForeignKeyConstraint(["part_id"], ["part.id"], name=op.f("fk_proof_part_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_proof")),
    )
    op.create_index(op.f("ix_proof_site_id"), "proof", ["site_id"])
    op.create_table(
        "proof_step",
        sa.Column("proof_id", _id, autoincrement=False, nullable=False),
        sa.Column("n", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("tag", _word, nullable=False),
        sa.Column("kind", _word, nullable=False),
        sa.Column("phase", _word, nullable=False),
        sa.Column("applied", sa.Double()),
        sa.Column("expected", sa.Double()),
        sa.Column("shown", sa.Double()),
        sa.Column("shown_ms", _ms),
        sa.Column("error_pct", sa.Double()),
        sa.Column("tolerance_pct", sa.Double()),
        sa.Column("result", _word, nullable=False),
        sa.Column("meaning", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("at_ms", _ms, nullable=False),
        sa.Column("actor", _word, nullable=False),
        sa.PrimaryKeyConstraint("proof_id", "n", name=op.f("pk_proof_step")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "proof_photo",
        sa.Column("id", _id, nullable=False),
        sa.Column("proof_id", _id, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("media", _word, nullable=False),
        sa.Column("at_ms", _ms, nullable=False),
        sa.Column("actor", _word, nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["proof_id"], ["proof.id"], name=op.f("fk_proof_photo_proof_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_proof_photo")),
    )
    op.create_index(op.f("ix_proof_photo_proof_id"), "proof_photo", ["proof_id"])
    sealed("proof", "signed_ms IS NOT NULL", ("proof_step", "proof_photo"))
