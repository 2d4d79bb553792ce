"""Papers are numbered by kind; those on file keep the numbers they were issued under."""

import sqlalchemy as sa
from alembic import op

revision = "v0004"
down_revision = "v0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("paper", sa.Column("number", sa.Integer(), nullable=False, server_default="0"))
    paper = sa.table("paper", sa.column("id", sa.Integer), sa.column("number", sa.Integer))
    op.execute(sa.update(paper).values(number=paper.c.id))
    op.create_index(op.f("ix_paper_kind_number"), "paper", ["kind", "number"], unique=True)
