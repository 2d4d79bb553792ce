"""Fits the shell eye: stochastic gradients through its halvings and doublings, in numpy alone."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from models.damage.eye import log_softmax
from models.damage.eye_layers import ConvolutionLayer, DenseLayer, Parameter, Passed
from models.damage.eye_training import Pace, Slope, descend, step_down
from models.damage.shell_eye import SHELL_CLASSES, ShellEye, joined
from models.damage.shell_windows import PLACE_PX, WINDOW_PX, ShellLesson, Window, draw_window

_AT_ONCE = 4
"""Windows that go through together, so that threads share a step."""
_TRIES = 200


@dataclass(frozen=True)
class ShellEyeSettings:
    """How the shell eye is fitted: so many steps on so many windows each.

    channels : of the convolutions on the way down, the first of each group halves the picture; up : on the way up;
    broken_share : of the windows that are of pictures with something broken in them; rate, decay : as of
    `eye_training.EyeSettings`
    """

    steps: int = 4000
    windows: int = 40
    channels: tuple[tuple[int, ...], ...] = ((24, 24), (48, 48), (80, 80), (96, 96))
    up: tuple[int, ...] = (64, 48)
    broken_share: float = 0.6
    rate: float = 3e-3
    decay: float = 0.02

    def __post_init__(self) -> None:
        halvings, doublings = len(self.channels), len(self.up)
        if 2 ** (halvings - doublings) != PLACE_PX or WINDOW_PX % 2**halvings:
            raise ValueError(
                f"channels, up: expected to answer for places of {PLACE_PX} px in windows of {WINDOW_PX} px, "
                f"got {halvings} halvings and {doublings} doublings"
            )
        if self.windows < _AT_ONCE or self.windows % _AT_ONCE:
            raise ValueError(f"windows: expected parts of {_AT_ONCE} a step, got {self.windows}: take a multiple")


class ShellEyeInTraining:
    """A shell eye whose layers say how they have to change."""

    def __init__(self, settings: ShellEyeSettings, rng: np.random.Generator) -> None:
        self._decay = settings.decay
        self._down: list[list[ConvolutionLayer]] = []
        before = 3
        for group in settings.channels:
            layers: list[ConvolutionLayer] = []
            for k, channels in enumerate(group):
                first = not self._down and not layers
                layers.append(ConvolutionLayer(before, channels, 5 if first else 3, 1 if k else 2, first, rng))
                before = channels
            self._down.append(layers)
        self._up: list[ConvolutionLayer] = []
        for channels, group in zip(settings.up, reversed(settings.channels[:-1]), strict=False):
            self._up.append(ConvolutionLayer(before + group[-1], channels, 3, 1, False, rng))
            before = channels
        self._last = DenseLayer(before, len(SHELL_CLASSES), 0.0, rng)
        self._convolutions = [*(layer for group in self._down for layer in group), *self._up]
        every: list[ConvolutionLayer | DenseLayer] = [*self._convolutions, self._last]
        self.parameters: list[Parameter] = [p for layer in every for p in layer.parameters]

    def slope(self, x: np.ndarray, classes: np.ndarray, weights: np.ndarray, rng: np.random.Generator) -> Slope:
        """Loss and gradients of (n, h, w, 3) standardised windows, (n, h / 4, w / 4) class numbers and weights of their
        places. Changes nothing."""
        passed: list[Passed] = []
        sizes = []
        for group in self._down:
            for layer in group:
                x, left = layer.forward(x)
                passed.append(left)
            sizes.append(x)
        for layer, beside in zip(self._up, reversed(sizes[:-1]), strict=False):
            x, left = layer.forward(joined(x, beside))
            passed.append(left)
        said, last_left = self._last.forward(x.reshape(-1, x.shape[3]), rng)
        logs = log_softmax(said)
        rows = np.arange(len(logs))
        shares = (weights.reshape(-1) / max(float(weights.sum()), 1e-6)).astype(np.float32)
        loss = -float((shares * logs[rows, classes.reshape(-1)]).sum())
        g = np.exp(logs)
        g[rows, classes.reshape(-1)] -= 1
        back, of_last = self._last.backward(g * shares[:, None], last_left)
        found = self._back(back.reshape(x.shape), passed, [size.shape[3] for size in sizes])
        met = [(left.mean, left.spread) for left in passed]
        return Slope(loss, found + of_last, met)

    def _back(self, g: np.ndarray, passed: Sequence[Passed], channels: Sequence[int]) -> list[np.ndarray]:
        """Gradients of all convolutions' parameters from that of the last convolution's output."""
        of_down: list[list[np.ndarray]] = [[] for _ in self._down]
        of_up: list[list[np.ndarray]] = [[] for _ in self._up]
        beside: dict[int, np.ndarray] = {}
        down = sum(len(group) for group in self._down)
        back: np.ndarray | None = g
        for k in reversed(range(len(self._up))):
            assert back is not None
            back, of_up[k] = self._up[k].backward(back, passed[down + k])
            assert back is not None
            size = len(self._down) - 2 - k
            doubled = back.shape[3] - channels[size]
            beside[size] = back[..., doubled:]
            n, h, w, _ = back.shape
            back = back[..., :doubled].reshape(n, h // 2, 2, w // 2, 2, doubled).sum(axis=(2, 4))
        for size in reversed(range(len(self._down))):
            assert back is not None
            if size in beside:
                back = back + beside[size]
            for layer in reversed(self._down[size]):
                assert back is not None
                down -= 1
                back, mine = layer.backward(back, passed[down])
                of_down[size] = mine + of_down[size]
        return [gradient for group in (*of_down, *of_up) for gradient in group]

    def learn(self, slopes: Sequence[Slope], number: int, rate: float) -> None:
        """One step down the mean of slopes over equally many windows; ``number`` counts from one."""
        step_down(self.parameters, self._convolutions, slopes, number, rate, self._decay)

    def fitted(self) -> ShellEye:
        """The eye as it answers."""
        down = tuple(tuple(layer.fitted() for layer in group) for group in self._down)
        return ShellEye(down, tuple(layer.fitted() for layer in self._up), self._last.fitted())


def fit_shell_eye(
    lessons: Sequence[ShellLesson],
    settings: ShellEyeSettings,
    seed: int,
    threads: int = 1,
    on_step: Callable[[], None] | None = None,
) -> ShellEye:
    """Fit a shell eye to pictures of housings. The same with any number of threads.

    Raises ValueError where all are whole or all are broken, or one teaches nothing.
    """
    broken = [k for k, lesson in enumerate(lessons) if (lesson.broken > 0).any()]
    whole = [k for k, lesson in enumerate(lessons) if not (lesson.broken > 0).any()]
    if not broken or not whole:
        raise ValueError(f"expected broken housings and whole ones, got {len(broken)} and {len(whole)}")
    parts = settings.windows // _AT_ONCE
    rng = np.random.default_rng(seed)
    eye = ShellEyeInTraining(settings, rng)

    def slope(chosen: Sequence[int], luck: np.random.Generator) -> Slope:
        windows = [_drawn(lessons[k], luck) for k in chosen]
        x = np.stack([window.picture for window in windows])
        classes = np.stack([window.classes for window in windows])
        return eye.slope(x, classes, np.stack([window.weights for window in windows]), luck)

    def draw() -> list[list[int]]:
        kinds = rng.random((parts, _AT_ONCE)) < settings.broken_share
        return [[rng.choice(broken if is_broken else whole) for is_broken in some] for some in kinds]

    pace = Pace(settings.steps, settings.rate, min(threads, parts))
    descend("the shell eye", eye, draw, slope, rng, pace, on_step)
    return eye.fitted()


def _drawn(lesson: ShellLesson, rng: np.random.Generator) -> Window:
    """A window that teaches something: one that shows nothing taught is drawn again."""
    for _ in range(_TRIES):
        window = draw_window(lesson, rng)
        if window.weights.any():
            return window
    raise ValueError(f"expected housings that show something, got one of {lesson.own.sum()} px with nothing taught")
