"""A soak may be thinned: its scans are in an archive, and roll-ups, with some minutes of scans, are left."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from logger.store.migrations.dialect import recreated

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    """Add a column to the soaks."""
    with op.batch_alter_table("soak", recreate=recreated()) as soak:
        soak.add_column(sa.Column("thinned", sa.Text))
