"""The corrected set as frozen values: every place that a person judged, by photograph, with a hash of it all."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from desk.errors import DeskError
from vision.findings import Ring

SCHEMA = "corrections/1"
SOUND = "sound"
Verdict = Literal["confirmed", "corrected", "rejected", "added", "unjudged"]
VERDICTS: tuple[Verdict, ...] = ("confirmed", "corrected", "rejected", "added", "unjudged")
Sha256 = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[0-9a-zA-Z_-]+$")]


class CorrectedError(DeskError):
    """A corrected set that cannot be used: expected, got, what to do."""


class LearningValue(BaseModel):
    """Base of the values kept on file: frozen, and unknown fields are an error."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Place(LearningValue):
    """One place of a photograph and what people said of it.

    `label`: `sound` where nothing is damaged (a false find); `was`: what the model called it, None where it said
    nothing. An `unjudged` place is what the model found and nobody named: it teaches nothing, neither damage nor
    sound. `second`: what somebody (`second_by`) called it who saw neither name.
    """

    region: str
    verdict: Verdict
    label: str
    was: str | None
    rings_px: list[Ring]
    reviewer: str
    judged_at: str
    second: str | None = None
    second_by: str | None = None


class ReviewedPhoto(LearningValue):
    """One photograph of a signed-off assembly with all its places; what lies outside of them is sound.

    `route`, `route_worst`: what the rules say of this photograph after the review, without bench answers;
    `assumed_mm_per_px`: as which it was recognised where nothing gave a scale; `blind`: drawn for a second opinion, so
    never learnt from and always held out.
    """

    assembly: str
    sha256: Sha256
    suffix: Annotated[str, Field(pattern=r"^\.[a-z0-9]{1,6}$")]
    name: str
    width_px: Annotated[int, Field(gt=0)]
    height_px: Annotated[int, Field(gt=0)]
    mm_per_px: Annotated[float, Field(gt=0)] | None
    has_mat: bool
    taken_at: str | None
    signed_off_at: str
    model_version: str
    blind: bool
    route: str
    route_worst: str
    places: list[Place]
    assumed_mm_per_px: Annotated[float, Field(gt=0)] | None = None

    @property
    def judged(self) -> list[Place]:
        """Places that teach something."""
        return [place for place in self.places if place.verdict != "unjudged"]


class Snapshot(LearningValue):
    """A corrected set as it was at one moment. `id` is the beginning of its content's hash."""

    schema_: Literal["corrections/1"] = Field(default="corrections/1", alias="schema")
    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True, serialize_by_alias=True)
    id: str
    sha256: str
    made_at: str
    feature_version: str
    photos: list[ReviewedPhoto]

    @property
    def assemblies(self) -> list[str]:
        """Every assembly once, in order."""
        return list(dict.fromkeys(photo.assembly for photo in self.photos))

    @property
    def places(self) -> list[Place]:
        """Every place of every photograph."""
        return [place for photo in self.photos for place in photo.places]

    def counts(self) -> dict[str, dict[str, int]]:
        """How many places of each label have each verdict; unjudged ones under what the model called them."""
        found: dict[str, Counter[str]] = {}
        for place in self.places:
            found.setdefault(place.label, Counter())[place.verdict] += 1
        return {label: dict(found[label]) for label in sorted(found)}

    def days(self) -> tuple[str, str] | None:
        """First and last day of a sign-off."""
        days = sorted(photo.signed_off_at[:10] for photo in self.photos)
        return (days[0], days[-1]) if days else None


def content_sha256(photos: Iterable[ReviewedPhoto], feature_version: str) -> str:
    """Hash of what was corrected, whoever writes it down and when."""
    digest = hashlib.sha256(f"{SCHEMA} {feature_version}\n".encode())
    for photo in sorted(photos, key=lambda p: (p.assembly, p.sha256)):
        digest.update(photo.model_dump_json().encode() + b"\n")
    return digest.hexdigest()


def snapshot_of(photos: Iterable[ReviewedPhoto], feature_version: str, made_at: str) -> Snapshot:
    """The snapshot of these photographs; CorrectedError where one photograph lies under two assemblies."""
    ordered = sorted(photos, key=lambda p: (p.assembly, p.sha256))
    once_each(ordered)
    whole = content_sha256(ordered, feature_version)
    return Snapshot(id=whole[:12], sha256=whole, made_at=made_at, feature_version=feature_version, photos=ordered)


def once_each(photos: Iterable[ReviewedPhoto]) -> None:
    """CorrectedError where one photograph would stand on both sides of a split by assembly."""
    under: dict[str, str] = {}
    for photo in photos:
        other = under.setdefault(photo.sha256, photo.assembly)
        if other != photo.assembly:
            raise CorrectedError(
                f"expected each photograph under one assembly, got {photo.sha256[:12]} under {other} and "
                f"{photo.assembly}: it would be learnt from and tested on; take it out of one"
            )


def read_snapshot(text: bytes | str, where: str) -> Snapshot:
    """A snapshot from its file's content; CorrectedError where it is none or was altered."""
    try:
        found = Snapshot.model_validate_json(text)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"]) or "the file"
        raise CorrectedError(
            f"{where}: expected a corrected set ({SCHEMA}), got {first['msg']} at {place}: export it again"
        ) from error
    once_each(found.photos)
    whole = content_sha256(found.photos, found.feature_version)
    if whole != found.sha256 or not whole.startswith(found.id) or len(found.id) < 8:
        raise CorrectedError(
            f"{where}: expected the content of snapshot {found.id} (hash {found.sha256[:12]}), got other content "
            f"(hash {whole[:12]}): it was altered; export it again"
        )
    return found


__all__ = [
    "SCHEMA",
    "SOUND",
    "VERDICTS",
    "CorrectedError",
    "Place",
    "ReviewedPhoto",
    "Snapshot",
    "Verdict",
    "content_sha256",
    "once_each",
    "read_snapshot",
    "snapshot_of",
]
