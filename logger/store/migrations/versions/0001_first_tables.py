"""The first tables: soak, channel, scan, rollup, finding, mark."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from logger.store.migrations.dialect import on_postgresql

revision = "0001"
down_revision = None

_ROLLUP_IN_UNITS = """
CREATE VIEW rollup_in_units AS
SELECT soak_id, level_s, t0_s, name, unit, n, mean, CASE WHEN a < b THEN a ELSE b END AS least,
       CASE WHEN a < b THEN b ELSE a END AS greatest, railed
FROM (SELECT r.soak_id, r.level_s, r.t0_s, c.name,
             CASE WHEN c.factor IS NULL THEN 'V' ELSE c.unit END AS unit,
             r.n,
             coalesce(c.factor, c.volts_per_count) * r.vsum / r.n + coalesce(c."offset", 0) AS mean,
             coalesce(c.factor, c.volts_per_count) * r.vmin + coalesce(c."offset", 0) AS a,
             coalesce(c.factor, c.volts_per_count) * r.vmax + coalesce(c."offset", 0) AS b,
             CASE WHEN r.vmin <= -c.full_count OR r.vmax >= c.full_count THEN 1 ELSE 0 END AS railed
      FROM rollup AS r JOIN channel AS c ON c.soak_id = r.soak_id AND c.channel = r.channel) AS counted
"""


def upgrade() -> None:
    """Make the tables of an empty store."""
    op.create_table(
        "soak",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("uuid", sa.String(36), nullable=False),
        sa.Column("bench", sa.Text, nullable=False),
        sa.Column("amp", sa.Text, nullable=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("setup_digest", sa.Text, nullable=False),
        sa.Column("daq", sa.Text, nullable=False),
        sa.Column("program", sa.Text, nullable=False),
        sa.Column("started_us", sa.BigInteger, nullable=False),
        sa.Column("ended_us", sa.BigInteger),
        sa.Column("how", sa.Text),
        sa.Column("scans", sa.BigInteger, nullable=False),
        sa.Column("last_t_us", sa.BigInteger),
        sa.Column("now", sa.Text),
        sa.Column("verdict", sa.Text),
        sa.Column("setup_text", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_soak")),
        sa.UniqueConstraint("uuid", name=op.f("uq_soak_uuid")),
        sa.CheckConstraint("kind IN ('as left', 'as found')", name=op.f("ck_soak_kind")),
        sa.CheckConstraint("how IN ('finished', 'stopped', 'broken off')", name=op.f("ck_soak_how")),
        sa.CheckConstraint("(ended_us IS NULL) = (how IS NULL)", name=op.f("ck_soak_ended")),
    )
    op.create_table(
        "channel",
        sa.Column("soak_id", sa.Integer, nullable=False),
        sa.Column("channel", sa.Integer, nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("measures", sa.Text, nullable=False),
        sa.Column("unit", sa.Text, nullable=False),
        sa.Column("volts_per_count", sa.Double, nullable=False),
        sa.Column("full_count", sa.BigInteger, nullable=False),
        sa.Column("factor", sa.Double),
        sa.Column("offset", sa.Double),
        sa.PrimaryKeyConstraint("soak_id", "channel", name=op.f("pk_channel")),
        sa.ForeignKeyConstraint(["soak_id"], ["soak.id"], name=op.f("fk_channel_soak")),
        sa.UniqueConstraint("soak_id", "name", name=op.f("uq_channel_name")),
        sa.CheckConstraint('(factor IS NULL) = ("offset" IS NULL)', name=op.f("ck_channel_linear")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "scan",
        sa.Column("soak_id", sa.Integer, nullable=False),
        sa.Column("t0_s", sa.BigInteger, nullable=False),
        sa.Column("sequence", sa.BigInteger, nullable=False),
        sa.Column("n", sa.Integer, nullable=False),
        sa.Column("sequences", sa.LargeBinary),
        sa.Column("data", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("soak_id", "t0_s", name=op.f("pk_scan")),
        sa.ForeignKeyConstraint(["soak_id"], ["soak.id"], name=op.f("fk_scan_soak")),
        sa.CheckConstraint("n > 0", name=op.f("ck_scan_n")),
        sqlite_with_rowid=False,
        postgresql_partition_by="RANGE (soak_id)",
    )
    op.create_table(
        "rollup",
        sa.Column("soak_id", sa.Integer, nullable=False),
        sa.Column("level_s", sa.Integer, nullable=False),
        sa.Column("t0_s", sa.BigInteger, nullable=False),
        sa.Column("channel", sa.Integer, nullable=False),
        sa.Column("n", sa.Integer, nullable=False),
        sa.Column("vmin", sa.BigInteger, nullable=False),
        sa.Column("vmax", sa.BigInteger, nullable=False),
        sa.Column("vsum", sa.BigInteger, nullable=False),
        sa.PrimaryKeyConstraint("soak_id", "level_s", "t0_s", "channel", name=op.f("pk_rollup")),
        sa.ForeignKeyConstraint(
            ["soak_id", "channel"], ["channel.soak_id", "channel.channel"], name=op.f("fk_rollup_channel")
        ),
        sa.CheckConstraint("n > 0", name=op.f("ck_rollup_n")),
        sa.CheckConstraint("vmin <= vmax", name=op.f("ck_rollup_order")),
        sqlite_with_rowid=False,
        postgresql_partition_by="RANGE (soak_id)",
    )
    op.create_table(
        "finding",
        sa.Column("soak_id", sa.Integer, nullable=False),
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("channel", sa.Text),
        sa.Column("channels", sa.Text, nullable=False),
        sa.Column("onset_s", sa.Double, nullable=False),
        sa.Column("raised_s", sa.Double, nullable=False),
        sa.Column("cleared_s", sa.Double),
        sa.Column("severity", sa.Text, nullable=False),
        sa.Column("says", sa.Text, nullable=False),
        sa.Column("advice", sa.Text, nullable=False),
        sa.Column("under", sa.Integer),
        sa.Column("evidence", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("soak_id", "id", name=op.f("pk_finding")),
        sa.ForeignKeyConstraint(["soak_id"], ["soak.id"], name=op.f("fk_finding_soak")),
        sa.CheckConstraint("severity IN ('remark', 'warning', 'trip')", name=op.f("ck_finding_severity")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "mark",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("soak_id", sa.Integer, nullable=False),
        sa.Column("t_us", sa.BigInteger, nullable=False),
        sa.Column("text", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_mark")),
        sa.ForeignKeyConstraint(["soak_id"], ["soak.id"], name=op.f("fk_mark_soak")),
    )
    op.create_index(op.f("ix_mark_soak_id"), "mark", ["soak_id", "t_us"])
    op.execute(_ROLLUP_IN_UNITS)
    if on_postgresql():
        _for_many_benches()


def _for_many_benches() -> None:
    """Add what a collected store has besides: whose row each is, and partitions by ranges of `soak_id`."""
    op.create_table(
        "origin",
        sa.Column("bench", sa.Text, nullable=False),
        sa.Column("table_name", sa.Text, nullable=False),
        sa.Column("source_id", sa.BigInteger, nullable=False),
        sa.Column("target_id", sa.Integer, nullable=False),
        sa.PrimaryKeyConstraint("bench", "table_name", "source_id", name=op.f("pk_origin")),
    )
    op.create_index(op.f("ix_origin_target"), "origin", ["table_name", "target_id"])
