"""An ended soak may be compact: its scans by the minute, deflated."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    """Add the table."""
    op.create_table(
        "scan_minute",
        sa.Column("soak_id", sa.Integer, nullable=False),
        sa.Column("t0_s", sa.BigInteger, nullable=False),
        sa.Column("n", sa.Integer, nullable=False),
        sa.Column("data", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("soak_id", "t0_s", name=op.f("pk_scan_minute")),
        sa.ForeignKeyConstraint(["soak_id"], ["soak.id"], name=op.f("fk_scan_minute_soak")),
        sa.CheckConstraint("n > 0", name=op.f("ck_scan_minute_n")),
        sqlite_with_rowid=False,
    )
