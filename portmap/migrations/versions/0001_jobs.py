"""Jobs with all their forms, figures, pictures and words."""

import sqlalchemy as sa
from alembic import op

__all__: list[str] = []

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Make the first tables."""
    op.create_table(
        "settings",
        sa.Column("key", sa.Text, primary_key=True),
        sa.Column("value", sa.Text, nullable=False),
    )
    op.create_table(
        "jobs",
        sa.Column("id", sa.Integer, primary_key=True, autoincrement=True),
        sa.Column("uid", sa.String(32), nullable=False, unique=True),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("form", sa.Integer, nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False, index=True),
        sa.Column("day", sa.String(10), nullable=False, index=True),
        sa.Column("added_at", sa.Text, nullable=False),
        sa.Column("changed_at", sa.Text, nullable=False),
        sa.Column("state", sa.Text),
        sa.Column("kinds", sa.Text, nullable=False),
        sa.Column("bore_mm", sa.Double, nullable=False),
        sa.Column("stroke_mm", sa.Double, nullable=False),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "document_forms",
        sa.Column("job_id", sa.Integer, sa.ForeignKey("jobs.id"), primary_key=True),
        sa.Column("form", sa.Integer, primary_key=True),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("kept_at", sa.Text, nullable=False),
        sa.Column("kept_by", sa.Text),
        sa.Column("reason", sa.Text, nullable=False),
        sa.Column("content", sa.LargeBinary, nullable=False),
    )
    op.create_table(
        "figures",
        sa.Column("job_id", sa.Integer, sa.ForeignKey("jobs.id"), primary_key=True),
        sa.Column("name", sa.Text, primary_key=True),
        sa.Column("value", sa.Double, nullable=False),
    )
    op.create_index("figures_by_value", "figures", ["name", "value", "job_id"])
    op.create_table(
        "pictures",
        sa.Column("stored_name", sa.Text, primary_key=True),
        sa.Column("size_bytes", sa.BigInteger, nullable=False),
        sa.Column("announced_at", sa.Text, nullable=False),
    )
    op.create_table(
        "job_pictures",
        sa.Column("job_id", sa.Integer, sa.ForeignKey("jobs.id"), primary_key=True),
        sa.Column(
            "stored_name",
            sa.Text,
            sa.ForeignKey("pictures.stored_name"),
            primary_key=True,
            index=True,
        ),
    )
    if op.get_bind().dialect.name == "sqlite":
        op.execute(
            "CREATE VIRTUAL TABLE job_words"
            " USING fts5(name, notes, kinds, tokenize='unicode61', prefix='2 3')"
        )
    else:
        op.execute(
            "CREATE TABLE job_words (job_id integer PRIMARY KEY REFERENCES jobs(id), words tsvector NOT NULL)"
        )
        op.execute("CREATE INDEX job_words_words ON job_words USING gin (words)")
