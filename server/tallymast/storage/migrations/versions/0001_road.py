"""The road: network, polls, rollups, episodes, notes and jobs."""

import sqlalchemy as sa
from alembic import op

from tallymast.storage.migrations.triggers import only_grows

revision = "0001"
down_revision = None

_id = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_word = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def upgrade() -> None:
    op.create_table(
        "change",
        sa.Column("seq", _id, autoincrement=False, nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("kind", _word, nullable=False),
        sa.Column("key", _word, nullable=False),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_change")),
    )
    op.create_table(
        "chunk",
        sa.Column("site_id", _id, autoincrement=False, nullable=False),
        sa.Column("start_ms", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("span", sa.SmallInteger(), autoincrement=False, nullable=False),
        sa.Column("layout_id", _id, autoincrement=False, nullable=False),
        sa.Column("format", sa.SmallInteger(), nullable=False),
        sa.Column("n", sa.Integer(), nullable=False),
        sa.Column("first_ms", sa.BigInteger(), nullable=False),
        sa.Column("last_ms", sa.BigInteger(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("site_id", "start_ms", "span", "layout_id", name=op.f("pk_chunk")),
    )
    op.create_table(
        "comm_hour",
        sa.Column("site_id", _id, autoincrement=False, nullable=False),
        sa.Column("hour_ms", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("asked", sa.Integer(), nullable=False),
        sa.Column("first_try", sa.Integer(), nullable=False),
        sa.Column("retried", sa.Integer(), nullable=False),
        sa.Column("no_answer", sa.Integer(), nullable=False),
        sa.Column("garbled", sa.Integer(), nullable=False),
        sa.Column("refused", sa.Integer(), nullable=False),
        sa.Column("gateway_lost", sa.Integer(), nullable=False),
        sa.Column("maintenance_ms", sa.Integer(), nullable=False),
        sa.Column("quarters", sa.LargeBinary(), nullable=False),
        sa.Column("answers", sa.LargeBinary(), nullable=False),
        sa.Column("codes", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("site_id", "hour_ms", name=op.f("pk_comm_hour")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "dirty",
        sa.Column("kind", _word, nullable=False),
        sa.Column("key_id", _id, autoincrement=False, nullable=False),
        sa.Column("start_ms", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.PrimaryKeyConstraint("kind", "key_id", "start_ms", name=op.f("pk_dirty")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "episode",
        sa.Column("id", _id, nullable=False),
        sa.Column("kind", _word, nullable=False),
        sa.Column("gateway_id", _id, nullable=True),
        sa.Column("site_id", _id, nullable=True),
        sa.Column("from_ms", sa.BigInteger(), nullable=False),
        sa.Column("to_ms", sa.BigInteger(), nullable=True),
        sa.Column("planned_end_ms", sa.BigInteger(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("actor", _word, nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_episode")),
    )
    op.create_index(
        op.f("ix_episode_site_id_from_ms"), "episode", ["site_id", "from_ms"], unique=False
    )
    op.create_table(
        "gateway",
        sa.Column("id", _id, nullable=False),
        sa.Column("key", _word, nullable=False),
        sa.Column("rank", sa.Integer(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("retired_ms", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_gateway")),
        sa.UniqueConstraint("key", name=op.f("uq_gateway_key")),
    )
    op.create_table(
        "gateway_state",
        sa.Column("gateway_id", _id, autoincrement=False, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("state", sa.SmallInteger(), nullable=False),
        sa.Column("since_ms", sa.BigInteger(), nullable=False),
        sa.Column("cycle_s", sa.Double(), nullable=True),
        sa.Column("airtime_used", sa.Double(), nullable=True),
        sa.Column("exchanges", sa.BigInteger(), nullable=False),
        sa.Column("lateness_s", sa.Double(), nullable=False),
        sa.Column("quarantine_s", sa.Double(), nullable=False),
        sa.Column("busy_s", sa.Text(), nullable=False),
        sa.Column("sentence", sa.Text(), nullable=False),
        sa.Column("holds_s", sa.Double(), nullable=True),
        sa.Column("worker_id", _id, nullable=True),
        sa.PrimaryKeyConstraint("gateway_id", name=op.f("pk_gateway_state")),
    )
    op.create_table(
        "job",
        sa.Column("id", _id, nullable=False),
        sa.Column("kind", _word, nullable=False),
        sa.Column("gateway_id", _id, nullable=True),
        sa.Column("site_id", _id, nullable=True),
        sa.Column("params", sa.Text(), nullable=False),
        sa.Column("state", _word, nullable=False),
        sa.Column("progress", sa.Double(), nullable=False),
        sa.Column("result", sa.Text(), nullable=False),
        sa.Column("actor", _word, nullable=False),
        sa.Column("asked_ms", sa.BigInteger(), nullable=False),
        sa.Column("done_ms", sa.BigInteger(), nullable=True),
        sa.Column("worker_id", _id, nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_job")),
    )
    op.create_index(op.f("ix_job_state"), "job", ["state"], unique=False)
    op.create_table(
        "network",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("title", _word, nullable=False),
        sa.Column("time_zone", _word, nullable=False),
        sa.Column("contract_hour", sa.SmallInteger(), nullable=False),
        sa.Column("contract_zone", _word, nullable=True),
        sa.Column("written", sa.Text(), nullable=False),
        sa.Column("revision_id", _id, nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_network")),
    )
    op.create_table(
        "point_hour",
        sa.Column("point_id", _id, autoincrement=False, nullable=False),
        sa.Column("hour_ms", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("layout_id", _id, autoincrement=False, nullable=False),
        sa.Column("n", sa.Integer(), nullable=False),
        sa.Column("sum", sa.Double(), nullable=False),
        sa.Column("min", sa.Double(), nullable=False),
        sa.Column("max", sa.Double(), nullable=False),
        sa.Column("first", sa.Double(), nullable=False),
        sa.Column("last", sa.Double(), nullable=False),
        sa.Column("changes", sa.Integer(), nullable=False),
        sa.Column("on_ms", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("point_id", "hour_ms", "layout_id", name=op.f("pk_point_hour")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "poll",
        sa.Column("at_ms", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("site_id", _id, autoincrement=False, nullable=False),
        sa.Column("outcome", sa.SmallInteger(), nullable=False),
        sa.Column("flags", sa.SmallInteger(), nullable=False),
        sa.Column("tries", sa.Integer(), nullable=False),
        sa.Column("answer_ms", sa.Double(), nullable=True),
        sa.Column("layout_id", _id, nullable=False),
        sa.Column("got", sa.BigInteger(), nullable=False),
        sa.Column("code", sa.SmallInteger(), nullable=False),
        sa.Column("words", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("at_ms", "site_id", name=op.f("pk_poll")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "profile",
        sa.Column("id", _id, nullable=False),
        sa.Column("key", _word, nullable=False),
        sa.Column("rank", sa.Integer(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_profile")),
        sa.UniqueConstraint("key", name=op.f("uq_profile_key")),
    )
    op.create_table(
        "revision",
        sa.Column("id", _id, nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("actor", _word, nullable=False),
        sa.Column("source", _word, nullable=False),
        sa.Column("undoes_id", _id, nullable=True),
        sa.Column("sentence", sa.Text(), nullable=False),
        sa.Column("diff", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_revision")),
    )
    op.create_table(
        "setting",
        sa.Column("key", _word, nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_setting")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "site_state",
        sa.Column("site_id", _id, autoincrement=False, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("state", sa.SmallInteger(), nullable=False),
        sa.Column("since_ms", sa.BigInteger(), nullable=False),
        sa.Column("layout_id", _id, nullable=False),
        sa.Column("last_poll_ms", sa.BigInteger(), nullable=True),
        sa.Column("last_answer_ms", sa.BigInteger(), nullable=True),
        sa.Column("words", sa.LargeBinary(), nullable=False),
        sa.Column("block_ms", sa.Text(), nullable=False),
        sa.Column("suspect_blocks", sa.BigInteger(), nullable=False),
        sa.Column("missed_in_row", sa.Integer(), nullable=False),
        sa.Column("good_in_row", sa.Integer(), nullable=False),
        sa.Column("first_miss_ms", sa.BigInteger(), nullable=True),
        sa.Column("probe_s", sa.Double(), nullable=True),
        sa.Column("hour_ms", sa.BigInteger(), nullable=False),
        sa.Column("hour_counts", sa.Text(), nullable=False),
        sa.Column("code", sa.SmallInteger(), nullable=False),
        sa.PrimaryKeyConstraint("site_id", name=op.f("pk_site_state")),
    )
    op.create_table(
        "tick",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("n", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tick")),
    )
    op.create_table(
        "profile_point",
        sa.Column("profile_id", _id, nullable=False),
        sa.Column("tag", _word, nullable=False),
        sa.Column("rank", sa.Integer(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["profile_id"], ["profile.id"], name=op.f("fk_profile_point_profile_id")
        ),
        sa.PrimaryKeyConstraint("profile_id", "tag", name=op.f("pk_profile_point")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "site",
        sa.Column("id", _id, nullable=False),
        sa.Column("key", _word, nullable=False),
        sa.Column("rank", sa.Integer(), nullable=False),
        sa.Column("gateway_id", _id, nullable=False),
        sa.Column("unit", sa.SmallInteger(), nullable=False),
        sa.Column("via_site_id", _id, nullable=True),
        sa.Column("profile_id", _id, nullable=True),
        sa.Column("layout_id", _id, nullable=True),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("retired_ms", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["gateway_id"], ["gateway.id"], name=op.f("fk_site_gateway_id")),
        sa.ForeignKeyConstraint(["profile_id"], ["profile.id"], name=op.f("fk_site_profile_id")),
        sa.ForeignKeyConstraint(["via_site_id"], ["site.id"], name=op.f("fk_site_via_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_site")),
        sa.UniqueConstraint("key", name=op.f("uq_site_key")),
    )
    op.create_index(
        "uq_site_gateway_id_unit_in_use",
        "site",
        ["gateway_id", "unit"],
        unique=True,
        sqlite_where=sa.text("retired_ms IS NULL"),
        postgresql_where=sa.text("retired_ms IS NULL"),
    )
    op.create_table(
        "layout",
        sa.Column("id", _id, nullable=False),
        sa.Column("site_id", _id, nullable=False),
        sa.Column("from_ms", sa.BigInteger(), nullable=False),
        sa.Column("digest", _word, nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_layout_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_layout")),
        sa.UniqueConstraint("site_id", "digest", name=op.f("uq_layout_site_id_digest")),
    )
    op.create_table(
        "note",
        sa.Column("id", _id, nullable=False),
        sa.Column("site_id", _id, nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("actor", _word, nullable=False),
        sa.Column("kind", _word, nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("replaces_id", _id, nullable=True),
        sa.ForeignKeyConstraint(["replaces_id"], ["note.id"], name=op.f("fk_note_replaces_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_note_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_note")),
    )
    op.create_index(op.f("ix_note_site_id_at_ms"), "note", ["site_id", "at_ms"], unique=False)
    op.create_table(
        "point",
        sa.Column("id", _id, nullable=False),
        sa.Column("site_id", _id, nullable=False),
        sa.Column("tag", _word, nullable=False),
        sa.Column("kind", _word, nullable=False),
        sa.Column("created_ms", sa.BigInteger(), nullable=False),
        sa.Column("retired_ms", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_point_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_point")),
        sa.UniqueConstraint("site_id", "tag", name=op.f("uq_point_site_id_tag")),
    )
    op.create_table(
        "site_point",
        sa.Column("site_id", _id, nullable=False),
        sa.Column("tag", _word, nullable=False),
        sa.Column("rank", sa.Integer(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_site_point_site_id")),
        sa.PrimaryKeyConstraint("site_id", "tag", name=op.f("pk_site_point")),
        sqlite_with_rowid=False,
    )
    # ### end Alembic commands ###
    op.execute("INSERT INTO tick (id, n) VALUES (1, 0)")
    for table in ("revision", "note"):
        only_grows(table)
