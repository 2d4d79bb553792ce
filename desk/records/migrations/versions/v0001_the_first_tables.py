"""The first tables."""

import sqlalchemy as sa
from alembic import op

import desk.records.columns

revision = "v0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "person",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("login", sa.String(length=80), nullable=False),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("roles", sa.String(length=120), nullable=False),
        sa.Column("password_hash", sa.String(length=255), nullable=True),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("unit", sa.String(length=4), nullable=False),
        sa.Column("theme", sa.String(length=8), nullable=False),
        sa.Column("made_at", desk.records.columns.Moment(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_person")),
        sa.UniqueConstraint("login", name=op.f("uq_person_login")),
    )
    op.create_table(
        "sign_in_failure",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("login", sa.String(length=80), nullable=False),
        sa.Column("address", sa.String(length=64), nullable=False),
        sa.Column("made_at", desk.records.columns.Moment(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sign_in_failure")),
    )
    with op.batch_alter_table("sign_in_failure", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_sign_in_failure_address_made_at"), ["address", "made_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_sign_in_failure_login_made_at"), ["login", "made_at"], unique=False)

    op.create_table(
        "assembly",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("shop_order", sa.String(length=60), nullable=False),
        sa.Column("shop_order_key", sa.String(length=60), nullable=False),
        sa.Column("made_at", desk.records.columns.Moment(timezone=True), nullable=False),
        sa.Column("made_by", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["made_by"], ["person.id"], name=op.f("fk_assembly_made_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_assembly")),
        sa.UniqueConstraint("shop_order_key", name=op.f("uq_assembly_shop_order_key")),
    )
    op.create_table(
        "one_time_link",
        sa.Column("token_sha256", sa.String(length=64), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("made_at", desk.records.columns.Moment(timezone=True), nullable=False),
        sa.Column("ends_at", desk.records.columns.Moment(timezone=True), nullable=False),
        sa.Column("used_at", desk.records.columns.Moment(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name=op.f("fk_one_time_link_person_id")),
        sa.PrimaryKeyConstraint("token_sha256", name=op.f("pk_one_time_link")),
    )
    op.create_table(
        "person_event",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("by_id", sa.Integer(), nullable=True),
        sa.Column("event", sa.String(length=40), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.Column("made_at", desk.records.columns.Moment(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["by_id"], ["person.id"], name=op.f("fk_person_event_by_id")),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name=op.f("fk_person_event_person_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_person_event")),
    )
    with op.batch_alter_table("person_event", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_person_event_person_id"), ["person_id"], unique=False)

    op.create_table(
        "session",
        sa.Column("token_sha256", sa.String(length=64), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=8), nullable=False),
        sa.Column("note", sa.String(length=80), nullable=False),
        sa.Column("made_at", desk.records.columns.Moment(timezone=True), nullable=False),
        sa.Column("seen_at", desk.records.columns.Moment(timezone=True), nullable=False),
        sa.Column("ends_at", desk.records.columns.Moment(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name=op.f("fk_session_person_id")),
        sa.PrimaryKeyConstraint("token_sha256", name=op.f("pk_session")),
    )
    with op.batch_alter_table("session", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_session_person_id"), ["person_id"], unique=False)

    op.create_table(
        "intake",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("assembly_id", sa.Integer(), nullable=False),
        sa.Column("vehicle", sa.String(length=80), nullable=False),
        sa.Column("vehicle_key", sa.String(length=80), nullable=False),
        sa.Column("customer_says", sa.Text(), nullable=False),
        sa.Column("circuit_class", sa.String(length=24), nullable=False),
        sa.Column("circuit_list", sa.LargeBinary(), nullable=True),
        sa.Column("circuit_list_name", sa.String(length=200), nullable=True),
        sa.Column("mats", sa.Integer(), nullable=False),
        sa.Column("made_at", desk.records.columns.Moment(timezone=True), nullable=False),
        sa.Column("made_by", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["assembly_id"], ["assembly.id"], name=op.f("fk_intake_assembly_id")),
        sa.ForeignKeyConstraint(["made_by"], ["person.id"], name=op.f("fk_intake_made_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_intake")),
    )
    with op.batch_alter_table("intake", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_intake_assembly_id"), ["assembly_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_intake_vehicle_key"), ["vehicle_key"], unique=False)

    op.create_table(
        "paper",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("assembly_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("payload", sa.JSON(), nullable=False),
        sa.Column("follows_id", sa.Integer(), nullable=True),
        sa.Column("made_at", desk.records.columns.Moment(timezone=True), nullable=False),
        sa.Column("made_by", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["assembly_id"], ["assembly.id"], name=op.f("fk_paper_assembly_id")),
        sa.ForeignKeyConstraint(["follows_id"], ["paper.id"], name=op.f("fk_paper_follows_id")),
        sa.ForeignKeyConstraint(["made_by"], ["person.id"], name=op.f("fk_paper_made_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_paper")),
    )
    with op.batch_alter_table("paper", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_paper_assembly_id_kind_id"), ["assembly_id", "kind", "id"], unique=False)

    op.create_table(
        "photograph",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("assembly_id", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("suffix", sa.String(length=8), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("face", sa.String(length=16), nullable=False),
        sa.Column("size_bytes", sa.Integer(), nullable=False),
        sa.Column("width_px", sa.Integer(), nullable=False),
        sa.Column("height_px", sa.Integer(), nullable=False),
        sa.Column("taken_at", sa.String(length=32), nullable=True),
        sa.Column("made_at", desk.records.columns.Moment(timezone=True), nullable=False),
        sa.Column("made_by", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["assembly_id"], ["assembly.id"], name=op.f("fk_photograph_assembly_id")),
        sa.ForeignKeyConstraint(["made_by"], ["person.id"], name=op.f("fk_photograph_made_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_photograph")),
        sa.UniqueConstraint("assembly_id", "sha256", name=op.f("uq_photograph_assembly_id_sha256")),
    )
    with op.batch_alter_table("photograph", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_photograph_sha256"), ["sha256"], unique=False)

    op.create_table(
        "review_entry",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("assembly_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=24), nullable=False),
        sa.Column("payload", sa.JSON(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("made_at", desk.records.columns.Moment(timezone=True), nullable=False),
        sa.Column("based_on_id", sa.Integer(), nullable=True),
        sa.Column("conflicting", sa.Boolean(), nullable=False),
        sa.Column("blind", sa.Boolean(), nullable=False),
        sa.Column("model_version", sa.String(length=80), nullable=False),
        sa.Column("rules_sha256", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(["assembly_id"], ["assembly.id"], name=op.f("fk_review_entry_assembly_id")),
        sa.ForeignKeyConstraint(["based_on_id"], ["review_entry.id"], name=op.f("fk_review_entry_based_on_id")),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name=op.f("fk_review_entry_person_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_review_entry")),
    )
    with op.batch_alter_table("review_entry", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_review_entry_assembly_id_id"), ["assembly_id", "id"], unique=False)

    op.create_table(
        "standing",
        sa.Column("assembly_id", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.Column("shop_order", sa.String(length=60), nullable=False),
        sa.Column("vehicle", sa.String(length=80), nullable=False),
        sa.Column("search", sa.String(length=400), nullable=False),
        sa.Column("label", sa.String(length=40), nullable=True),
        sa.Column("labels", sa.JSON(), nullable=False),
        sa.Column("route", sa.String(length=24), nullable=True),
        sa.Column("route_worst", sa.String(length=24), nullable=True),
        sa.Column("urgency", sa.Integer(), nullable=False),
        sa.Column("questions", sa.Integer(), nullable=False),
        sa.Column("photographs", sa.Integer(), nullable=False),
        sa.Column("decision", sa.JSON(), nullable=True),
        sa.Column("waiting_since", desk.records.columns.Moment(timezone=True), nullable=False),
        sa.Column("opened_at", desk.records.columns.Moment(timezone=True), nullable=False),
        sa.Column("made_at", desk.records.columns.Moment(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["assembly_id"], ["assembly.id"], name=op.f("fk_standing_assembly_id")),
        sa.PrimaryKeyConstraint("assembly_id", name=op.f("pk_standing")),
    )
    with op.batch_alter_table("standing", schema=None) as batch_op:
        batch_op.create_index("ix_standing_label", ["label", "opened_at"], unique=False)
        batch_op.create_index("ix_standing_opened", ["opened_at", "assembly_id"], unique=False)
        batch_op.create_index("ix_standing_queue", ["state", "urgency", "waiting_since", "assembly_id"], unique=False)
        batch_op.create_index("ix_standing_route", ["route", "opened_at"], unique=False)

    op.create_table(
        "assessment",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("photograph_id", sa.Integer(), nullable=False),
        sa.Column("findings", sa.JSON(), nullable=False),
        sa.Column("label", sa.String(length=40), nullable=True),
        sa.Column("model_version", sa.String(length=80), nullable=False),
        sa.Column("feature_version", sa.String(length=40), nullable=False),
        sa.Column("rules_sha256", sa.String(length=64), nullable=False),
        sa.Column("seconds", sa.Double(), nullable=False),
        sa.Column("made_at", desk.records.columns.Moment(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["photograph_id"], ["photograph.id"], name=op.f("fk_assessment_photograph_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_assessment")),
    )
    with op.batch_alter_table("assessment", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_assessment_photograph_id"), ["photograph_id"], unique=False)

    op.create_table(
        "first_answer",
        sa.Column("photograph_id", sa.Integer(), nullable=False),
        sa.Column("usable", sa.Boolean(), nullable=False),
        sa.Column("retake", sa.JSON(), nullable=False),
        sa.Column("mat_found", sa.Boolean(), nullable=False),
        sa.Column("made_at", desk.records.columns.Moment(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["photograph_id"], ["photograph.id"], name=op.f("fk_first_answer_photograph_id")),
        sa.PrimaryKeyConstraint("photograph_id", name=op.f("pk_first_answer")),
    )
    op.create_table(
        "job",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("photograph_id", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(length=8), nullable=False),
        sa.Column("worker", sa.String(length=40), nullable=True),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("error", sa.Text(), nullable=True),
        sa.Column("made_at", desk.records.columns.Moment(timezone=True), nullable=False),
        sa.Column("started_at", desk.records.columns.Moment(timezone=True), nullable=True),
        sa.Column("ended_at", desk.records.columns.Moment(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["photograph_id"], ["photograph.id"], name=op.f("fk_job_photograph_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_job")),
    )
    with op.batch_alter_table("job", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_job_photograph_id"), ["photograph_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_job_state_id"), ["state", "id"], unique=False)
