"""Taking a photograph in: kept for good, then answered at once with usable or what to do for the retake."""

from __future__ import annotations

import os
import threading
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.exc import IntegrityError

from desk.errors import one_line
from desk.records import tables
from desk.records.photo_store import hash_of
from desk.shop.assemblies import assembly, in_turn, shown_name
from desk.shop.desk import Desk
from desk.shop.errors import Invalid, NotAPhotograph
from desk.shop.people import Account
from desk.shop.standing import refresh
from vision.findings import Retake
from vision.mat import MatView, NoMat, find_mat
from vision.quality import judge_quality, usable
from vision.reading import KINDS, Photo, PhotoError, read_photo

SIDES = ("face_a", "face_b")
FACES = ("face_a", "face_b", "close_up", "after_repair")
FACE_WORDS = {
    "face_a": "first face",
    "face_b": "other face",
    "close_up": "close-up",
    "after_repair": "after the repair",
}
# Decoding and finding the mat take a core each; more at once would only make everybody wait longer.
_LOOKING = threading.BoundedSemaphore(max(1, os.cpu_count() or 1))


@dataclass(frozen=True)
class Receipt:
    """The answer to a photograph: it is kept, and whether it can be used.

    `again`: it was here already; `face`, `counts`: as it stands, which may be another face than it was `sent_as`, or
    taken back: what was put right is not undone by sending the file once more.
    """

    photograph_id: int
    sha256: str
    name: str
    face: str
    sent_as: str
    counts: bool
    again: bool
    usable: bool
    retake: tuple[Retake, ...]
    mat_found: bool

    @property
    def elsewhere(self) -> bool:
        """Whether it was here already, and not as it was sent now."""
        return not self.counts or self.face != self.sent_as

    @property
    def says(self) -> str:
        """What became of it, in a few words."""
        if not self.counts:
            return "it is here already and was taken back; put it back there"
        if self.face != self.sent_as:
            return f"it is here already as {FACE_WORDS[self.face].capitalize()}; change its face there"
        kept = "kept, usable" if self.usable else "kept, but take it again"
        return f"{kept} (it was here already)" if self.again else kept


def receive(desk: Desk, by: Account, assembly_id: int, file: Path, name: str, face: str) -> Receipt:
    """Take in the photograph in `file`, which is moved into the store. Once this returns it is never lost.

    The same content again gives the same photograph; what cannot be read is refused and removed.
    """
    if face not in FACES:
        raise Invalid("face", f"face: expected {', '.join(FACES)}, got {face[:30]!r}")
    name = shown_name(name, "photograph")
    with desk.database.read() as session:
        assembly(session, assembly_id)
    suffix = suffix_of(file)
    sha256 = hash_of(file)
    with _LOOKING:
        photo = _read(file, name)
        desk.store.room_for(0)
        desk.store.take_in(file, sha256, suffix)
        photograph_id, again = _keep(desk, by, assembly_id, photo, sha256, suffix, name, face)
        first = _first_answer(desk, photograph_id, photo)
    with desk.database.read() as session:
        row = session.get_one(tables.Photograph, photograph_id)
    return Receipt(
        photograph_id, sha256, name, row.face_now, face, row.counts, again, first.usable,
        tuple(Retake.model_validate(item) for item in first.retake), first.mat_found,
    )  # fmt: skip


def suffix_of(file: Path) -> str:
    """The suffix by the file's content, whatever its name says; NotAPhotograph for anything else."""
    with open(file, "rb") as stream:
        head = stream.read(16)
    if head[:3] == b"\xff\xd8\xff":
        return ".jpg"
    if head[:8] == b"\x89PNG\r\n\x1a\n":
        return ".png"
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return ".webp"
    if head[:4] in (b"II*\x00", b"MM\x00*"):
        return ".tif"
    if head[4:8] == b"ftyp":
        return ".heic"
    file.unlink(missing_ok=True)
    raise NotAPhotograph(f"expected {KINDS}, got a file whose content is something else: choose the photograph itself")


def _read(file: Path, name: str) -> Photo:
    try:
        return read_photo(file)
    except PhotoError as error:
        file.unlink(missing_ok=True)
        raise NotAPhotograph(one_line(error).replace(str(file), name).replace(file.name, name)) from error


def _keep(
    desk: Desk, by: Account, assembly_id: int, photo: Photo, sha256: str, suffix: str, name: str, face: str
) -> tuple[int, bool]:
    """The photograph's row, and whether it was there; two uploads of one picture at once make one row."""
    row = tables.Photograph(
        assembly_id=assembly_id, sha256=sha256, suffix=suffix, name=name, face=face,
        size_bytes=desk.store.path(sha256, suffix).stat().st_size, width_px=photo.width_px, height_px=photo.height_px,
        taken_at=photo.taken_at, made_by=by.id,
    )  # fmt: skip
    found = _known(desk, assembly_id, sha256)
    if found is not None:
        return found, True
    try:
        with desk.database.write() as session:
            in_turn(session, assembly_id)
            session.add(row)
            session.flush()
            session.add(tables.Job(photograph_id=row.id))
            session.flush()
            refresh(session, desk, assembly_id)
        return row.id, False
    except IntegrityError:
        found = _known(desk, assembly_id, sha256)
        if found is None:
            raise
        return found, True


def _known(desk: Desk, assembly_id: int, sha256: str) -> int | None:
    table = tables.Photograph
    with desk.database.read() as session:
        return session.scalar(select(table.id).where(table.assembly_id == assembly_id, table.sha256 == sha256))


def _first_answer(desk: Desk, photograph_id: int, photo: Photo) -> tables.FirstAnswer:
    with desk.database.read() as session:
        known = session.get(tables.FirstAnswer, photograph_id)
    if known is not None:
        return known
    found = find_mat(photo, desk.layouts)
    view = found if isinstance(found, MatView) else None
    retake = judge_quality(photo, view, isinstance(found, NoMat) and found.on_screen)
    row = tables.FirstAnswer(
        photograph_id=photograph_id, usable=usable(retake), retake=[item.model_dump() for item in retake],
        mat_found=view is not None,
    )  # fmt: skip
    try:
        with desk.database.write() as session:
            session.add(row)
    except IntegrityError:  # the same photograph came twice at once and was answered there
        with desk.database.read() as session:
            known = session.get(tables.FirstAnswer, photograph_id)
        if known is None:
            raise
        return known
    return row
