"""The ports' shapes, to find jobs with similar ones; worked out anew for the jobs that are there."""

import sqlalchemy as sa
from alembic import op

__all__: list[str] = []

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Make the table of shapes and fill it from the jobs' newest forms."""
    op.create_table(
        "shapes",
        sa.Column("job_id", sa.Integer, sa.ForeignKey("jobs.id"), primary_key=True),
        sa.Column("stage", sa.String(10), primary_key=True),
        sa.Column("cells", sa.LargeBinary, nullable=False),
    )
    op.create_index("shapes_by_stage", "shapes", ["stage", "job_id"])

    from portmap.archive_facts import opened_document, shapes_of
    from portmap.job import job_of

    bind = op.get_bind()
    newest = sa.text(
        "SELECT jobs.id, document_forms.content FROM jobs JOIN document_forms"
        " ON document_forms.job_id = jobs.id AND document_forms.form = jobs.form ORDER BY jobs.id"
    )
    put = sa.text("INSERT INTO shapes (job_id, stage, cells) VALUES (:job_id, :stage, :cells)")
    for number, content in bind.execute(newest).all():
        for stage, cells in shapes_of(job_of(opened_document(bytes(content)))).items():
            bind.execute(put, {"job_id": number, "stage": stage, "cells": cells})
