"""What a person asks of the running daemon, how it was answered, and which findings were acknowledged."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from logger.store.migrations.dialect import recreated

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Add the table, and a column to the findings."""
    op.create_table(
        "request",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("soak_id", sa.Integer),
        sa.Column("made_us", sa.BigInteger, nullable=False),
        sa.Column("ask", sa.Text, nullable=False),
        sa.Column("text", sa.Text, nullable=False),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("reason", sa.Text),
        sa.Column("t_us", sa.BigInteger),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_request")),
        sa.ForeignKeyConstraint(["soak_id"], ["soak.id"], name=op.f("fk_request_soak")),
        sa.CheckConstraint("state IN ('asked', 'done', 'refused')", name=op.f("ck_request_state")),
        sa.CheckConstraint("(state = 'refused') = (reason IS NOT NULL)", name=op.f("ck_request_reason")),
        sa.CheckConstraint("(soak_id IS NULL) = (t_us IS NULL)", name=op.f("ck_request_taken")),
        sa.CheckConstraint("state <> 'asked' OR soak_id IS NULL", name=op.f("ck_request_asked")),
    )
    op.create_index(op.f("ix_request_state"), "request", ["state", "id"])
    keyed = {"sqlite_with_rowid": False}
    with op.batch_alter_table("finding", recreate=recreated(), table_kwargs=keyed) as finding:
        finding.add_column(sa.Column("acknowledged_s", sa.Double))
