"""How sure a recogniser was of a cue's words."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"


def upgrade() -> None:
    for name in ("confidence_mean", "confidence_least"):
        op.add_column("cue", sa.Column(name, sa.Float(), nullable=True))
