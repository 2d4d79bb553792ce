"""Lists know which labels are unsure; an assessment says so in a column of its own."""

import json

import sqlalchemy as sa
from alembic import op

from desk.records.columns import LONG_AGO, Moment

revision = "v0002"
down_revision = "v0001"
branch_labels = None
depends_on = None

_UNSURE = 4
"""What an unsure label added to the urgency when this version was written."""
_BATCH = 500


def upgrade() -> None:
    with op.batch_alter_table("standing", schema=None) as batch:
        batch.add_column(sa.Column("marks", sa.JSON(), nullable=True))
    with op.batch_alter_table("assessment", schema=None) as batch:
        batch.add_column(sa.Column("unsure", sa.Boolean(), nullable=True))
    _fill_marks()
    _fill_unsure()
    with op.batch_alter_table("standing", schema=None) as batch:
        batch.alter_column("marks", existing_type=sa.JSON(), nullable=False)
    with op.batch_alter_table("assessment", schema=None) as batch:
        batch.alter_column("unsure", existing_type=sa.Boolean(), nullable=False)


def _fill_marks() -> None:
    """From labels and urgency: which of several is unsure is not known. The moment says that it is to be made again."""
    standing = sa.table(
        "standing", sa.column("assembly_id", sa.Integer), sa.column("labels", sa.JSON),
        sa.column("urgency", sa.Integer), sa.column("marks", sa.JSON), sa.column("made_at", Moment(timezone=True)),
    )  # fmt: skip
    connection = op.get_bind()
    rows = connection.execute(sa.select(standing.c.assembly_id, standing.c.labels, standing.c.urgency)).all()
    values = [
        {
            "number": row.assembly_id,
            "found": {
                "all": [
                    {"label": label, "unsure": bool(row.urgency & _UNSURE), "novel": False, "candidates": []}
                    for label in row.labels or []
                ],
                "photographs": {},
            },
        }
        for row in rows
    ]
    update = sa.update(standing).where(standing.c.assembly_id == sa.bindparam("number"))
    _in_batches(update.values(marks=sa.bindparam("found", type_=sa.JSON), made_at=LONG_AGO), values)


def _fill_unsure() -> None:
    """From the findings themselves; they are read one batch at a time, for they are large."""
    assessment = sa.table(
        "assessment", sa.column("id", sa.Integer), sa.column("findings", sa.JSON), sa.column("unsure", sa.Boolean)
    )
    connection = op.get_bind()
    update = sa.update(assessment).where(assessment.c.id == sa.bindparam("number"))
    last = 0
    while rows := connection.execute(
        sa.select(assessment.c.id, assessment.c.findings)
        .where(assessment.c.id > last)
        .order_by(assessment.c.id)
        .limit(_BATCH)
    ).all():
        values = [{"number": row.id, "found": _unsure(row.findings)} for row in rows]
        _in_batches(update.values(unsure=sa.bindparam("found", type_=sa.Boolean)), values)
        last = rows[-1].id


def _unsure(findings: object) -> bool:
    found = json.loads(findings) if isinstance(findings, str) else findings
    assert isinstance(found, dict)
    return bool(found.get("unsure") or any(region.get("unsure") for region in found.get("regions", [])))


def _in_batches(statement: sa.Update, values: list[dict[str, object]]) -> None:
    for start in range(0, len(values), _BATCH):
        op.get_bind().execute(statement, values[start : start + _BATCH])
