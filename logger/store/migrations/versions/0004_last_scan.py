"""When a soak's last scan came, by the DAQ's counter and by the computer's clock: to go on after a crash."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from logger.store.migrations.dialect import recreated

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Add two columns to the soaks."""
    with op.batch_alter_table("soak", recreate=recreated()) as soak:
        soak.add_column(sa.Column("last_ms", sa.BigInteger))
        soak.add_column(sa.Column("last_seen_us", sa.BigInteger))
