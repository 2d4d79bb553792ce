"""Which scenes a training from generated scenes looks at, and how it is set."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from desk.training_set import SceneJob
from models.damage.eye_training import EyeSettings
from models.damage.shell_eye_training import ShellEyeSettings
from sample_images.scene import SCENARIOS


@dataclass(frozen=True)
class TrainSettings:
    """How the model is trained.

    ``usual_share`` : the last scenes, which show what photographs of a shop show; all before are crowded with
    ``extra`` more damages each, because a damage covers a hundredth of its photograph and many are needed, and with
    uncommon things ``crowded_times`` as likely: the finder learns there what is like no damage for being uncommon.

    ``leads`` : benches of short leads that the shell eye alone learns from, at the usual number of scenes; they are
    pictures of their own kind, so that no scene is among them, whatever its seed.

    ``shop`` : scenes such as a shop photographs, at the usual number of scenes, of which the finder learns nothing:
    what it finds there it finds as it will at work, and the namers and every correction learn from that, too;
    ``uncommon_scenes`` : so many more of them, in which uncommon but sound things (other housings, coverings, benches,
    lamps, tools lying about) are ``uncommon_times`` as likely: what is like nothing else taught is not damaged for
    that. Every other scene shows them at their usual odds.

    Members of the finder that do without the eye learn from more scenes, which begin before
    these and end with them (`eyeless`).
    """

    scenes: int = 704
    seed: int = 20_072
    usual_share: float = 3 / 11
    extra: int = 4
    crowded_times: float = 1.6
    hidden: tuple[int, ...] = (192, 64)
    epochs: int = 10
    first_members: int = 1
    second_members: int = 3
    per_class: int = 60_000
    least: int = 6_000
    eye: EyeSettings = field(default_factory=EyeSettings)
    leads: int = 400
    lead_seed: int = 30_000
    shop: int = 560
    shop_seed: int = 60_000
    uncommon_scenes: int = 280
    uncommon_times: float = 2.5
    shell_eye: ShellEyeSettings = field(default_factory=ShellEyeSettings)
    workers: int = 2
    folder: str | None = None


def jobs_for(settings: TrainSettings) -> list[SceneJob]:
    """The scenes of a training run: every scenario in turn."""
    n = len(SCENARIOS)
    crowded = round(settings.scenes * (1 - settings.usual_share) / n) * n
    return [
        SceneJob(
            SCENARIOS[i % n],
            settings.seed + i // n,
            settings.folder,
            settings.extra if i < crowded else 0,
            uncommon=settings.crowded_times if i < crowded else 1.0,
        )
        for i in range(settings.scenes)
    ]


def eye_jobs_for(settings: TrainSettings) -> list[SceneJob]:
    """Crowded scenes that the eye alone learns from, half as many again as others are: what it says of those is what
    it says of scenes that it never saw."""
    n = len(SCENARIOS)
    after = settings.seed - (-settings.scenes // n)
    count = round(1.5 * settings.scenes * (1 - settings.usual_share) / n) * n
    return [SceneJob(SCENARIOS[i % n], after + i // n, settings.folder, settings.extra) for i in range(count)]


def lead_seeds(settings: TrainSettings) -> range:
    """Seeds of the leads that the shell eye learns from: the fewer the fewer scenes there are."""
    count = round(settings.leads * min(1.0, settings.scenes / TrainSettings.scenes))
    return range(settings.lead_seed, settings.lead_seed + count)


def shop_jobs_for(settings: TrainSettings) -> list[SceneJob]:
    """Scenes that namers, gauges and corrections learn from, and nothing that finds, in whole rounds of scenarios: the
    fewer the fewer scenes there are. They are saved as `samples` saves its own, compressed once more, as pictures are
    that are passed on."""
    n = len(SCENARIOS)
    share = min(1.0, settings.scenes / TrainSettings.scenes) / n
    usual, uncommon = (round(count * share) * n for count in (settings.shop, settings.uncommon_scenes))
    return [
        SceneJob(
            SCENARIOS[i % n],
            settings.shop_seed + i // n,
            settings.folder,
            saved=True,
            uncommon=1.0 if i < usual else settings.uncommon_times,
        )
        for i in range(usual + uncommon)
    ]


def eyeless(settings: TrainSettings) -> TrainSettings:
    """How the members of the finder without an eye are trained: on 1280 scenes where the others look at 704.

    These end with the others, and begin whole rounds of folds and halves before them, so that each seed is in the same
    fold of both, and in the same half of it.
    """
    before = 4 * round(settings.scenes * 18 / 704)
    scenes = settings.scenes + before * len(SCENARIOS)
    return replace(settings, scenes=scenes, seed=settings.seed - before, usual_share=0.2)


USUAL_EYE_SCENES = len(eye_jobs_for(TrainSettings()))


def seeds_of(settings: TrainSettings) -> tuple[int, int]:
    """The first seed that a training looks at, and the first after its last."""
    jobs = (*jobs_for(settings), *eye_jobs_for(settings), *jobs_for(eyeless(settings)))
    seeds = {job.seed for job in jobs}
    return min(seeds), max(seeds) + 1


FOLDS = (0, 1)


def fold_of(number: int) -> int:
    """Fold of the scene with this number: whole rounds of scenarios alternate."""
    return (number // len(SCENARIOS)) % 2
