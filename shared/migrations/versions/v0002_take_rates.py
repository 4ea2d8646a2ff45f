"""At how many pictures a second a clip was taken, and whether its lens is only assumed."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    # Plain ALTER TABLE: no table is built anew, so this is quick whatever the catalogue's size.
    op.add_column("clip", sa.Column("lens_assumed", sa.Boolean(), nullable=False, server_default=sa.false()))
    op.add_column("clip", sa.Column("capture_num", sa.BigInteger(), nullable=True))
    op.add_column("clip", sa.Column("capture_den", sa.BigInteger(), nullable=True))
    op.add_column(
        "clip", sa.Column("capture_certainty", sa.String(length=16), nullable=False, server_default="none")
    )
