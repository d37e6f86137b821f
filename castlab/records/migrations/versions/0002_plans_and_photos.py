"""Plans, photos, and what a photo count adds to a score."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:

    op.create_table(
        "plan",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("logged_at", sa.DateTime(), nullable=False),
        sa.Column("logged_by", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=True),
        sa.Column("notes", sa.Text(), nullable=True),
        sa.Column("withdrawn", sa.Boolean(), nullable=True),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("question", sa.Text(), nullable=True),
        sa.Column("factors", sa.Text(), nullable=True),
        sa.Column("responses", sa.Text(), nullable=True),
        sa.Column("castings", sa.Integer(), nullable=True),
        sa.Column("batches", sa.Integer(), nullable=True),
        sa.Column("seed", sa.Integer(), nullable=True),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("origin", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_plan")),
        sa.UniqueConstraint("origin", name=op.f("uq_plan_origin")),
        sa.UniqueConstraint("seq", name=op.f("uq_plan_seq")),
    )
    op.create_table(
        "plan_past",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("logged_at", sa.DateTime(), nullable=False),
        sa.Column("logged_by", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=True),
        sa.Column("notes", sa.Text(), nullable=True),
        sa.Column("withdrawn", sa.Boolean(), nullable=True),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("question", sa.Text(), nullable=True),
        sa.Column("factors", sa.Text(), nullable=True),
        sa.Column("responses", sa.Text(), nullable=True),
        sa.Column("castings", sa.Integer(), nullable=True),
        sa.Column("batches", sa.Integer(), nullable=True),
        sa.Column("seed", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["id"], ["plan.id"], name=op.f("fk_plan_past_id")),
        sa.PrimaryKeyConstraint("id", "version", name=op.f("pk_plan_past")),
    )
    op.create_table(
        "photo",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("logged_at", sa.DateTime(), nullable=False),
        sa.Column("logged_by", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=True),
        sa.Column("notes", sa.Text(), nullable=True),
        sa.Column("withdrawn", sa.Boolean(), nullable=True),
        sa.Column("trial_id", sa.Text(), nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("file_name", sa.Text(), nullable=True),
        sa.Column("view", sa.Text(), nullable=True),
        sa.Column("taken_at", sa.DateTime(), nullable=True),
        sa.Column("mm_per_pixel", sa.Double(), nullable=True),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("origin", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["trial_id"], ["trial.id"], name=op.f("fk_photo_trial_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_photo")),
        sa.UniqueConstraint("origin", name=op.f("uq_photo_origin")),
        sa.UniqueConstraint("trial_id", "seq", name=op.f("uq_photo_trial_id_seq")),
    )
    op.create_table(
        "photo_past",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("logged_at", sa.DateTime(), nullable=False),
        sa.Column("logged_by", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=True),
        sa.Column("notes", sa.Text(), nullable=True),
        sa.Column("withdrawn", sa.Boolean(), nullable=True),
        sa.Column("trial_id", sa.Text(), nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("file_name", sa.Text(), nullable=True),
        sa.Column("view", sa.Text(), nullable=True),
        sa.Column("taken_at", sa.DateTime(), nullable=True),
        sa.Column("mm_per_pixel", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(["id"], ["photo.id"], name=op.f("fk_photo_past_id")),
        sa.PrimaryKeyConstraint("id", "version", name=op.f("pk_photo_past")),
    )
    # written out because SQLite adds a foreign key only together with its column
    op.execute("ALTER TABLE score ADD COLUMN photo_id TEXT CONSTRAINT fk_score_photo_id REFERENCES photo (id)")
    op.add_column("score_past", sa.Column("photo_id", sa.Text(), nullable=True))
    for table in ("score", "score_past"):
        op.add_column(table, sa.Column("bubbles_stopped", sa.Boolean(), nullable=True))
        for name in ("auto_bubbles", "auto_low", "auto_high"):
            op.add_column(table, sa.Column(name, sa.Integer(), nullable=True))
