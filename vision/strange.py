"""Patches of cells that look strange, apart from the damage that was found."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vision.grid import CellGrid, Patch, neighbourhood_means, patches

_SIDE = 3
_COVERED = 0.3


def strange_patches(
    grid: CellGrid, scores: np.ndarray, level: float, least_mass: float, found: Sequence[np.ndarray] = ()
) -> list[Patch]:
    """Connected patches of cells whose smoothed score reaches ``level``, holding ``least_mass`` of it, largest first.

    scores : (N,) probability of being strange; found : cell numbers of each damage that has a name already: patches
    that share three tenths of their cells with them are left out
    """
    smooth, heavy = _patches(grid, scores, level)
    taken = np.zeros(len(scores), bool)
    for cells in found:
        taken[cells] = True
    return [p for p in heavy if smooth[p.cells].sum() >= least_mass and taken[p.cells].mean() < _COVERED]


def largest_mass(grid: CellGrid, scores: np.ndarray, level: float) -> float:
    """The largest sum of scores that any patch of the photograph holds; 0 without one."""
    smooth, found = _patches(grid, scores, level)
    return max((float(smooth[p.cells].sum()) for p in found), default=0.0)


def _patches(grid: CellGrid, scores: np.ndarray, level: float) -> tuple[np.ndarray, list[Patch]]:
    if len(scores) == 0:
        return scores, []
    smooth = neighbourhood_means(grid, scores[:, None], (_SIDE,))[:, 0]
    return smooth, patches(grid, smooth >= level, 3, bridge=1)
