"""Keeps a trained model in a file that cannot execute code when loaded, with its card beside it."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from zipfile import BadZipFile

import numpy as np
import scipy
import sklearn
import skops
from sklearn.tree._tree import Tree

from models.damage.card import CARD_FILE, MODEL_FILE, SHIPPED, ModelError, keep_card_hash, other_library, read_card
from models.damage.counts import CountGauge
from models.damage.eye import Convolution, Dense, Eye, Tower
from models.damage.files import write_file
from models.damage.finder import Finder, TwoPasses
from models.damage.gauges import Ending, Gauge
from models.damage.namer import Namer
from models.damage.packed import pack_booster, pack_trees, unpack_booster, unpack_trees
from models.damage.shell_eye import ShellEye
from models.damage.strange import Strangeness
from vision.findings import LABELS

# literal: everything else in a model file is refused
TRUSTED_TYPES: list[str] = [
    "sklearn.neural_network._stochastic_optimizers.AdamOptimizer",
    "sklearn.tree._tree.Tree",
    "sklearn.ensemble._hist_gradient_boosting.predictor.TreePredictor",
]

_NOT_LEARNT = ("random_state", "_random_state", "_feature_subsample_rng", "estimator", "_loss")
"""Attributes that follow from the settings or serve training alone."""


@dataclass(frozen=True)
class DamageModel:
    """Finder, namers, the gauges of the measures by name, which termination wires end at; data, figures and limits.

    strangeness : what is like nothing taught; counts : the gauge of how many wires a damage touches; models of earlier
    versions have neither
    """

    finder: Finder
    wires: Namer
    shells: Namer
    measures: dict[str, Gauge]
    ending: Ending
    card: dict[str, Any]
    strangeness: Strangeness | None = None
    counts: CountGauge | None = None

    @property
    def labels(self) -> tuple[str, ...]:
        """Every label that it may answer: those of all models, then those that a shop added."""
        return (*LABELS, *(name for name in self.wires.labels if name not in LABELS))

    @property
    def version(self) -> str:
        """Version named in answers."""
        return str(self.card["version"])


def library_versions() -> dict[str, str]:
    """Versions that the model's bytes and answers depend on."""
    return {"numpy": np.__version__, "scipy": scipy.__version__, "scikit-learn": sklearn.__version__,
            "skops": skops.__version__}  # fmt: skip


def _plain(model: DamageModel) -> dict[str, Any]:
    def namer(n: Namer) -> dict[str, Any]:
        return {"labels": list(n.labels), "features": list(n.feature_names), "classifier": n.classifier,
                "inverse_temperature": n.inverse_temperature,
                "scaler": n.scaler, "covariance": n.covariance, "thresholds": n.thresholds,
                "novel_beyond": n.novel_beyond,
                **({"sound_shift": n.sound_shift} if n.sound_shift else {})}  # fmt: skip

    strangeness = {} if model.strangeness is None else {"strangeness": _plain_strangeness(model.strangeness)}
    counts = {} if model.counts is None else {"counts": _fields(model.counts)}
    return {
        "finder": _plain_finder(model.finder),
        "wires": namer(model.wires),
        "shells": namer(model.shells),
        "measures": {name: _fields(gauge) for name, gauge in model.measures.items()},
        "ending": _fields(model.ending),
        **strangeness,
        **counts,
    }


def _packed(plain: dict[str, Any]) -> dict[str, Any]:
    """Plain values with the trees of every ensemble laid end to end."""
    measures = {
        name: {**gauge, "value": pack_booster(gauge["value"]), "spread": pack_booster(gauge["spread"])}
        for name, gauge in plain["measures"].items()
    }
    ending = {**plain["ending"], "classifier": pack_booster(plain["ending"]["classifier"])}
    namers = {
        name: {**plain[name], "classifier": pack_trees(plain[name]["classifier"])} for name in ("wires", "shells")
    }
    counts = {}
    if "counts" in plain:
        counts["counts"] = {**plain["counts"], "more": pack_booster(plain["counts"]["more"])}
    return {**plain, **namers, "measures": measures, "ending": ending, **counts}


def _plain_strangeness(strangeness: Strangeness) -> dict[str, Any]:
    return {
        "features": list(strangeness.feature_names),
        "members": list(strangeness.members),
        "least_mass": strangeness.least_mass,
    }


def _plain_finder(finder: Finder) -> dict[str, Any]:
    return {
        "classes": list(finder.classes),
        "features": list(finder.feature_names),
        "parts": [{"first": list(p.first), "second": list(p.second)} for p in finder.parts],
        **({} if finder.eye is None else {"eye": _plain_eye(finder.eye)}),
        **({} if finder.shell_eye is None else {"shell_eye": _plain_shell_eye(finder.shell_eye)}),
    }


def _plain_eye(eye: Eye) -> dict[str, Any]:
    return {
        "classes": list(eye.classes),
        "shape": list(eye.shape),
        "towers": [
            {"convolutions": [dict(vars(c)) for c in tower.convolutions], "end": dict(vars(tower.end))}
            for tower in eye.towers
        ],
        "head": [dict(vars(dense)) for dense in eye.head],
    }


def _eye(data: dict[str, Any]) -> Eye:
    towers = tuple(
        # before features of version 7 each convolution halved the picture, and none said so
        Tower(tuple(Convolution(**{"step": 2, **c}) for c in tower["convolutions"]), Dense(**tower["end"]))
        for tower in data["towers"]
    )
    first, last = data["head"]
    return Eye(tuple(data["classes"]), tuple(data["shape"]), towers, (Dense(**first), Dense(**last)))


def _plain_shell_eye(eye: ShellEye) -> dict[str, Any]:
    return {
        "down": [[dict(vars(c)) for c in group] for group in eye.down],
        "up": [dict(vars(c)) for c in eye.up],
        "last": dict(vars(eye.last)),
    }


def _shell_eye(data: dict[str, Any]) -> ShellEye:
    down = tuple(tuple(Convolution(**c) for c in group) for group in data["down"])
    return ShellEye(down, tuple(Convolution(**c) for c in data["up"]), Dense(**data["last"]))


def _fields(value: Gauge | Ending | CountGauge) -> dict[str, Any]:
    plain = dict(vars(value))
    return {name: list(item) if isinstance(item, tuple) else item for name, item in plain.items()}


def _gauge(data: dict[str, Any]) -> Gauge:
    boosters = {"value": unpack_booster(data["value"]), "spread": unpack_booster(data["spread"])}
    return Gauge(**{**data, **boosters, "feature_names": tuple(data["feature_names"])})


def _counts(data: dict[str, Any]) -> CountGauge:
    return CountGauge(**{**data, "more": unpack_booster(data["more"]), "feature_names": tuple(data["feature_names"])})


def _namer(data: dict[str, Any]) -> Namer:
    classifier = unpack_trees(data["classifier"])
    read, named = classifier.n_features_in_, len(data["features"])
    if read != named:  # models of earlier versions left some out
        raise ValueError(f"a namer that reads {read} of its {named} features, made by another version of this tool")
    return Namer(tuple(data["labels"]), tuple(data["features"]), classifier,
                 data["inverse_temperature"], data["scaler"], data["covariance"], data["thresholds"],
                 data["novel_beyond"], data.get("sound_shift", 0.0))  # fmt: skip


def content_hash(model: DamageModel) -> str:
    """Hash of what the model learnt: every array and number, not of file time stamps."""
    return hash_of_learnt(_plain(model))


def finder_hash(finder: Finder) -> str:
    """Hash of what a finder learnt."""
    return hash_of_learnt(_plain_finder(finder))


def eye_hash(eye: Eye | None) -> str:
    """Hash of what an eye learnt: what it adds to the cells goes with it."""
    return hash_of_learnt(None if eye is None else _plain_eye(eye))


def hash_of_learnt(learnt: Any) -> str:
    """Hash of plain values, arrays and fitted estimators."""
    digest = hashlib.sha256()

    def add(value: Any) -> None:
        if isinstance(value, dict):
            for key in sorted(value, key=str):
                digest.update(str(key).encode())
                add(value[key])
        elif isinstance(value, np.ndarray) and value.dtype.names:
            for field in value.dtype.names:  # field by field: padding between them is not content
                add(np.ascontiguousarray(value[field]))
        elif isinstance(value, np.ndarray):
            digest.update(str(value.dtype).encode() + str(value.shape).encode())
            digest.update(
                np.ascontiguousarray(value).tobytes() if value.dtype != object else repr(value.tolist()).encode()
            )
        elif isinstance(value, (list, tuple)):
            for item in value:
                add(item)
        elif isinstance(value, Tree):
            add(value.__getstate__())
        elif hasattr(value, "__dict__"):
            add({k: v for k, v in vars(value).items() if k not in _NOT_LEARNT})
        else:
            said = repr(value)
            if " at 0x" in said:
                raise TypeError(f"expected plain values in a model, got {said}: its address is no content")
            digest.update(said.encode())

    add(learnt)
    return digest.hexdigest()


def save_model(model: DamageModel, folder: Path) -> None:
    """Write model and card into a folder, whole or not at all."""
    import skops.io

    folder.mkdir(parents=True, exist_ok=True)
    # level 9 takes eight times as long for 1.5 % less
    data = skops.io.dumps(_packed(_plain(model)), compresslevel=6, compression=8)
    card = {**model.card, "libraries": library_versions(), "file_sha256": hashlib.sha256(data).hexdigest(),
            "content_sha256": content_hash(model)}  # fmt: skip
    write_file(folder / MODEL_FILE, data)
    write_file(folder / CARD_FILE, (json.dumps(card, indent=1, sort_keys=True) + "\n").encode())
    keep_card_hash(folder)


def load_model(folder: Path = SHIPPED) -> DamageModel:
    """Read a model; refused when its bytes or its card changed, when it holds foreign types, or was made by other
    libraries."""
    card = read_card(folder)
    try:
        data = (folder / MODEL_FILE).read_bytes()
    except OSError as error:
        raise ModelError(
            f"expected a model in {folder}, got {error}; run `loomtriage retrain --from-samples`"
        ) from error
    if hashlib.sha256(data).hexdigest() != card.get("file_sha256"):
        raise ModelError(
            f"expected the model file its card describes, got other bytes in {folder}; retrain or restore it"
        )
    if why := other_library(card):
        raise ModelError(why)
    import skops.io  # goes through all of scikit-learn when imported, so it waits until there is a model to read

    try:  # builds nothing before every type in the file was found trusted
        return _built(skops.io.loads(data, trusted=TRUSTED_TYPES), card)
    except (BadZipFile, AttributeError, KeyError, TypeError, ValueError) as error:
        raise ModelError(_why_not_built(data, folder, error)) from error


def _why_not_built(data: bytes, folder: Path, error: Exception) -> str:
    """What is wrong with a model file that could not be built: another kind of file, foreign types, parts missing."""
    import skops.io

    try:
        foreign = sorted(set(skops.io.get_untrusted_types(data=data)) - set(TRUSTED_TYPES))
    except (BadZipFile, AttributeError, KeyError, ValueError, TypeError) as unread:
        return f"expected a model file in {folder}, got one of another kind ({unread}); do not use it"
    if foreign:
        return f"the model file holds types that are not allowed: {', '.join(foreign)}; do not use it"
    return f"expected a whole model in {folder}, got one that cannot be put together ({error!r}); do not use it"


def _built(plain: dict[str, Any], card: dict[str, Any]) -> DamageModel:
    f = plain["finder"]
    parts = tuple(TwoPasses(tuple(p["first"]), tuple(p["second"])) for p in f["parts"])
    eye = _eye(f["eye"]) if "eye" in f else None
    shell_eye = _shell_eye(f["shell_eye"]) if "shell_eye" in f else None
    finder = Finder(tuple(f["classes"]), tuple(f["features"]), parts, eye, shell_eye)
    measures = {name: _gauge(data) for name, data in plain["measures"].items()}
    ending = Ending(tuple(plain["ending"]["sign_names"]), unpack_booster(plain["ending"]["classifier"]))
    odd = plain.get("strangeness")
    strangeness = Strangeness(tuple(odd["features"]), tuple(odd["members"]), odd["least_mass"]) if odd else None
    wires, shells = _namer(plain["wires"]), _namer(plain["shells"])
    counts = _counts(plain["counts"]) if "counts" in plain else None
    return DamageModel(finder, wires, shells, measures, ending, card, strangeness, counts)
