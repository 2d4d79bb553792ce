"""A process that assesses photographs one after the other, as long as its desk runs."""

from __future__ import annotations

import logging
import os
import secrets
import signal
import time
from pathlib import Path

from desk import assess
from desk.assess import AssessSettings
from desk.errors import DeskError, one_line
from desk.learning.fallback import note_who_answers
from desk.learning.model_shelf import folders_in_turn, name_of
from desk.learning.shelf import Shelf
from desk.records import tables
from desk.records.errors import DatabaseBusy, PhotoAltered, PhotoMissing, RecordsError
from desk.shop import jobs
from desk.shop.assemblies import in_turn
from desk.shop.desk import Desk, open_desk
from desk.shop.jobs import Task
from desk.shop.pictures import make_pictures
from desk.shop.recovery import WorkerPlan
from desk.shop.standing import refresh, refresh_old
from models.damage.card import SHIPPED, ModelError
from models.repair import Answers
from vision.findings import PhotoFindings
from vision.reading import PhotoError

log = logging.getLogger("loomtriage.worker")
_PAUSE_S = 0.4


def run_worker(plan: WorkerPlan) -> None:
    """Assess until the desk that started this process is gone or asks it to stop."""
    import cv2

    cv2.setNumThreads(1)
    os.nice(5)  # answers to phones come first
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches the desk, which then stops its workers
    desk = open_desk(plan.data, plan.database, plan.rules, plan.mats)
    name = f"{plan.slot}.{secrets.token_hex(6)}"
    answering_model(desk)
    old_ones = True
    while os.getppid() == plan.parent_pid:
        try:
            worked = work_once(desk, name)
            if not worked and old_ones:
                worked = old_ones = refresh_old(desk) > 0
        except DatabaseBusy as error:
            log.warning("%s", one_line(error))
            worked = False
        if not worked:
            time.sleep(_PAUSE_S)


def work_once(desk: Desk, worker: str) -> bool:
    """Take one photograph out of the line and assess it; False where none waits."""
    with desk.database.write() as session:
        task = jobs.take_next(session, worker)
    if task is None:
        return False
    start = time.perf_counter()
    try:
        findings = _assessed(desk, task)
    except (PhotoError, PhotoMissing, PhotoAltered, DeskError) as error:
        _close(desk, task, None, 0.0, one_line(error))
    else:
        _close(desk, task, findings, time.perf_counter() - start, None)
        _make_pictures(desk, task)
    return True


def answering_model(desk: Desk) -> Path:
    """Folder of the model that answers: the one in use, taken up as soon as it changes. Where that cannot be loaded
    the one before it goes on (at last the shipped one), and the log and the learning page say why; every answer names
    its model.
    """
    shelf, wrong = Shelf(desk.data), ""
    folders = folders_in_turn(desk.data)
    for folder in folders:
        try:
            assess.model_in_use(folder)
        except ModelError as error:
            if folder == SHIPPED:
                raise
            log.warning("model in use: %s; the one before it answers", one_line(error))
            wrong = wrong or one_line(error)
        else:
            note_who_answers(shelf, name_of(folders[0]), name_of(folder), wrong)
            return folder
    raise AssertionError("the shipped model ends the line")


def _assessed(desk: Desk, task: Task) -> PhotoFindings:
    path = desk.store.checked(task.sha256, task.suffix)
    settings = AssessSettings(desk.layouts, desk.rules, Answers(), model=answering_model(desk))
    findings = assess.assess_photo(path, settings)
    # the name in the store is a hash; people and decisions speak of the photograph by its own
    return findings.model_copy(update={"photo": findings.photo.model_copy(update={"name": task.name})})


def _make_pictures(desk: Desk, task: Task) -> None:
    """Ahead of whoever reviews; what fails here is made, or refused with its reason, when the page asks for it."""
    try:
        make_pictures(desk, task.sha256, task.suffix)
    except RecordsError as error:
        log.warning("%s", one_line(error))


def _close(desk: Desk, task: Task, findings: PhotoFindings | None, seconds: float, error: str | None) -> None:
    """Findings, the job's end and the assembly's standing are kept together or not at all."""
    with desk.database.write() as session:
        if not jobs.still_mine(session, task):
            return
        in_turn(session, task.assembly_id)  # else the standing is computed without what another write says just now
        if findings is not None:
            session.add(
                tables.Assessment(
                    photograph_id=task.photograph_id,
                    findings=findings.model_dump(mode="json", by_alias=True),
                    label=findings.label,
                    unsure=findings.unsure or any(region.unsure for region in findings.regions),
                    model_version=findings.model.version,
                    feature_version=findings.model.feature_version,
                    rules_sha256=desk.rules_sha256,
                    seconds=seconds,
                )
            )
        jobs.close_job(session, task, error)
        session.flush()
        refresh(session, desk, task.assembly_id)
