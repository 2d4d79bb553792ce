"""Which scenes a training from generated scenes looks at, and how it is set."""

from __future__ import annotations

from dataclasses import dataclass, field

from desk.training_set import SceneJob
from models.damage.eye_training import EyeSettings
from sample_images.scene import SCENARIOS


@dataclass(frozen=True)
class TrainSettings:
    """How the model is trained.

    ``usual_share`` : the last scenes, which show what photographs of a shop show; all before are crowded with
    ``extra`` more damages each, because a damage covers a hundredth of its photograph and many are needed.
    """

    scenes: int = 1280
    seed: int = 20_000
    usual_share: float = 0.2
    extra: int = 4
    hidden: tuple[int, ...] = (192, 64)
    epochs: int = 10
    first_members: int = 1
    second_members: int = 3
    per_class: int = 60_000
    least: int = 6_000
    eye: EyeSettings = field(default_factory=EyeSettings)
    workers: int = 2
    folder: str | None = None


def jobs_for(settings: TrainSettings) -> list[SceneJob]:
    """The scenes of a training run: every scenario in turn."""
    n = len(SCENARIOS)
    crowded = round(settings.scenes * (1 - settings.usual_share) / n) * n
    return [
        SceneJob(SCENARIOS[i % n], settings.seed + i // n, settings.folder, settings.extra if i < crowded else 0)
        for i in range(settings.scenes)
    ]


def eye_jobs_for(settings: TrainSettings) -> list[SceneJob]:
    """Scenes that the eye alone learns from, as many as are crowded: what it says of all others is what it says of
    scenes that it never saw."""
    n = len(SCENARIOS)
    after = settings.seed - (-settings.scenes // n)
    crowded = round(settings.scenes * (1 - settings.usual_share) / n) * n
    return [SceneJob(SCENARIOS[i % n], after + i // n, settings.folder, settings.extra) for i in range(crowded)]


USUAL_EYE_SCENES = len(eye_jobs_for(TrainSettings()))


def last_seed(settings: TrainSettings) -> int:
    """The highest seed that a training looks at, the eye's scenes included."""
    return max(job.seed for job in (*jobs_for(settings), *eye_jobs_for(settings)))


FOLDS = (0, 1)


def fold_of(number: int) -> int:
    """Fold of the scene with this number: whole rounds of scenarios alternate."""
    return (number // len(SCENARIOS)) % 2
