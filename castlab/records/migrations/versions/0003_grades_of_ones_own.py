"""Grades of items that a shop added to its rubric."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    for table in ("score", "score_past"):
        op.add_column(table, sa.Column("extra_grades", sa.JSON(none_as_null=True), nullable=True))
