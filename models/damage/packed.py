"""Keeps ensembles of trees as few arrays: a model file of thousands of small ones takes seconds to open."""

from __future__ import annotations

from copy import copy
from typing import Any, TypeAlias

import numpy as np
from sklearn.ensemble import ExtraTreesClassifier, HistGradientBoostingClassifier, HistGradientBoostingRegressor
from sklearn.ensemble._hist_gradient_boosting.predictor import TreePredictor
from sklearn.tree import ExtraTreeClassifier
from sklearn.tree._tree import Tree

Booster: TypeAlias = HistGradientBoostingClassifier | HistGradientBoostingRegressor
Trees: TypeAlias = ExtraTreesClassifier | HistGradientBoostingClassifier
"""What a namer classifies with."""
_BITSETS = ("binned_left_cat_bitsets", "raw_left_cat_bitsets")


def pack_booster(booster: Booster) -> dict[str, Any]:
    """A fitted booster with its trees and bins laid end to end; `unpack_booster` gives back what predicts the same."""
    stages = booster._predictors
    trees = [tree for stage in stages for tree in stage]
    if any(len(getattr(tree, name)) for tree in trees for name in _BITSETS):
        raise ValueError("expected trees that split numbers alone, got one that splits categories; leave those out")
    bare, mapper = copy(booster), copy(booster._bin_mapper)
    bins = [np.asarray(b) for b in mapper.bin_thresholds_]
    mapper.bin_thresholds_ = None
    bare._bin_mapper, bare._predictors = mapper, None
    return {
        "booster": bare,
        "trees_per_stage": len(stages[0]),
        "nodes": np.concatenate([tree.nodes for tree in trees]),
        "tree_sizes": np.array([len(tree.nodes) for tree in trees]),
        "bins": np.concatenate(bins),
        "bin_sizes": np.array([len(b) for b in bins]),
    }


def unpack_booster(packed: dict[str, Any] | Booster) -> Booster:
    """The booster that was packed; one from a file of before packing is taken as it stands. Raises ValueError."""
    if not isinstance(packed, dict):
        return packed
    booster: Booster = packed["booster"]
    per = packed["trees_per_stage"]
    none = np.zeros((0, 8), np.uint32)
    trees = [TreePredictor(nodes, none, none) for nodes in _cut(packed["nodes"], packed["tree_sizes"])]
    booster._predictors = [trees[at : at + per] for at in range(0, len(trees), per)]
    booster._bin_mapper.bin_thresholds_ = _cut(packed["bins"], packed["bin_sizes"])
    return booster


def pack_forest(forest: ExtraTreesClassifier) -> dict[str, Any]:
    """A fitted forest with its trees laid end to end; `unpack_forest` gives back what predicts the same."""
    states = [tree.tree_.__getstate__() for tree in forest.estimators_]
    bare = copy(forest)
    bare.estimators_ = None
    return {
        "forest": bare,
        "depths": [int(state["max_depth"]) for state in states],
        "seeds": [int(tree.random_state) for tree in forest.estimators_],
        "nodes": np.concatenate([state["nodes"] for state in states]),
        "values": np.concatenate([state["values"] for state in states]),
        "tree_sizes": np.array([state["node_count"] for state in states]),
    }


def unpack_forest(packed: dict[str, Any] | ExtraTreesClassifier) -> ExtraTreesClassifier:
    """The forest that was packed; one from a file of before packing is taken as it stands. Raises ValueError."""
    if not isinstance(packed, dict):
        return packed
    forest: ExtraTreesClassifier = packed["forest"]
    sizes = packed["tree_sizes"]
    parts = zip(
        packed["depths"], packed["seeds"], _cut(packed["nodes"], sizes), _cut(packed["values"], sizes), strict=True
    )
    forest.estimators_ = [_tree(forest, *part) for part in parts]
    return forest


def pack_trees(trees: Trees) -> dict[str, Any]:
    """A fitted forest or booster as few arrays; `unpack_trees` gives back what predicts the same."""
    return pack_forest(trees) if isinstance(trees, ExtraTreesClassifier) else pack_booster(trees)


def unpack_trees(packed: dict[str, Any] | Trees) -> Trees:
    """The forest or booster that was packed; one from a file of before packing is taken as it stands."""
    if isinstance(packed, dict) and "booster" in packed:
        return unpack_booster(packed)
    return unpack_forest(packed)


def gains(trees: Trees) -> np.ndarray:
    """(F,) share of each feature in what the splits of a fitted forest or booster gain: they sum to 1, or are all 0."""
    if isinstance(trees, ExtraTreesClassifier):
        return trees.feature_importances_
    nodes = np.concatenate([tree.nodes for stage in trees._predictors for tree in stage])
    split = nodes[nodes["is_leaf"] == 0]
    total = np.bincount(split["feature_idx"], weights=split["gain"], minlength=trees.n_features_in_)
    return total / max(float(total.sum()), 1e-12)


def _tree(
    forest: ExtraTreesClassifier, depth: int, seed: int, nodes: np.ndarray, values: np.ndarray
) -> ExtraTreeClassifier:
    """One tree of a forest, its settings the forest's."""
    tree = ExtraTreeClassifier(**{name: getattr(forest, name) for name in forest.estimator_params})
    tree.random_state = seed
    tree.n_features_in_, tree.n_outputs_ = forest.n_features_in_, forest.n_outputs_
    # the forest numbers its classes before it hands them to its trees
    tree.classes_, tree.n_classes_ = np.arange(forest.n_classes_).astype(float), np.int64(forest.n_classes_)
    tree.max_features_ = max(1, int(forest.max_features * forest.n_features_in_))
    tree.tree_ = Tree(forest.n_features_in_, np.array([forest.n_classes_], np.intp), forest.n_outputs_)
    state = {"max_depth": depth, "node_count": len(nodes), "nodes": nodes, "values": values}
    tree.tree_.__setstate__(state)
    return tree


def _cut(values: np.ndarray, sizes: np.ndarray) -> list[np.ndarray]:
    if sizes.sum() != len(values):
        raise ValueError(f"expected {sizes.sum()} values in a packed model, got {len(values)}")
    return [np.ascontiguousarray(part) for part in np.split(values, np.cumsum(sizes)[:-1])]
