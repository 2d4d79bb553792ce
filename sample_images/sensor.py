"""From light to a phone's JPEG: lens and sensor faults, tone curve, sharpening, compression."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.colours import encoded

Floats = NDArray[np.floating]


@dataclass(frozen=True)
class Sensor:
    """How this phone takes this picture."""

    gain: Floats  # (3,) exposure times white balance
    vignette: float
    blur_px: float
    motion_px: tuple[float, float]
    noise: float
    contrast: float
    saturation: float
    sharpen: float
    quality: int


def choose_sensor(rng: np.random.Generator, light_colour: Floats, white: float) -> Sensor:
    """A random phone; `white` is the light's level that shall become nearly white, its colour mostly balanced away."""
    balance = (light_colour.mean() / np.maximum(light_colour, 0.02)) ** float(rng.uniform(0.6, 1.0))
    balance = balance * np.exp(rng.normal(0, 0.03, 3))
    move = rng.uniform(0, np.pi)
    far = float(rng.exponential(0.5)) if rng.random() < 0.25 else 0.0
    return Sensor(
        gain=(balance * rng.uniform(0.62, 1.02) / white).astype(np.float32),
        vignette=float(rng.uniform(0.0, 0.4)),
        blur_px=float(rng.uniform(0.3, 0.75) if rng.random() < 0.8 else rng.uniform(0.7, 1.6)),
        motion_px=(float(np.cos(move) * far), float(np.sin(move) * far)),
        noise=float(rng.uniform(0.002, 0.012)),
        contrast=float(rng.uniform(0.0, 0.35)),
        saturation=float(rng.uniform(0.9, 1.25)),
        sharpen=float(rng.uniform(0.0, 0.9)),
        quality=int(rng.integers(70, 96)),
    )


def expose(rng: np.random.Generator, light: Floats, sensor: Sensor) -> NDArray[np.uint8]:
    """(H,W,3) linear RGB light -> (H,W,3) uint8 BGR as decoded from the phone's JPEG."""
    h, w = light.shape[:2]
    scale = w / 2000.0
    x = (np.arange(w, dtype=np.float32) - w / 2) / (w / 2)
    y = (np.arange(h, dtype=np.float32) - h / 2) / (w / 2)
    fall = 1 - sensor.vignette * (x[None] ** 2 + y[:, None] ** 2) / 1.56
    image = light * (fall[..., None] * sensor.gain)
    image = cv2.GaussianBlur(image, (0, 0), max(0.3, sensor.blur_px * scale))
    image = _shaken(image, sensor.motion_px, scale)
    grain = rng.standard_normal((h, w, 3), dtype=np.float32)
    grain[..., ::2] *= 1.3
    grain = cv2.GaussianBlur(grain, (0, 0), 0.55) * 1.7
    image += grain * (sensor.noise * np.sqrt(np.maximum(image, 0) + 0.02))
    image = np.clip(image, 0, None)
    image = np.where(image > 0.8, 0.8 + 0.2 * np.tanh((image - 0.8) / 0.2), image)  # shoulder of the tone curve
    out = encoded(image)
    if sensor.contrast > 0:
        out = out * (1 - sensor.contrast) + sensor.contrast * out * out * (3 - 2 * out)
    grey = out.mean(axis=2, keepdims=True)
    out = grey + (out - grey) * sensor.saturation
    if sensor.sharpen > 0.05:
        out += sensor.sharpen * (out - cv2.GaussianBlur(out, (0, 0), 1.1))
    bgr = (np.clip(out[..., ::-1], 0, 1) * 255 + 0.5).astype(np.uint8)
    done, code = cv2.imencode(".jpg", np.ascontiguousarray(bgr), [cv2.IMWRITE_JPEG_QUALITY, sensor.quality])
    if not done:
        raise RuntimeError(f"expected a JPEG of {w} x {h}, the encoder refused it; check the OpenCV build")
    return cv2.imdecode(code, cv2.IMREAD_COLOR)


def _shaken(image: Floats, motion_px: tuple[float, float], scale: float) -> Floats:
    if np.hypot(*motion_px) * scale < 0.3:
        return image
    kernel = np.zeros((9, 9), np.float32)
    for t in np.linspace(-0.5, 0.5, 15):
        dx, dy = 4 + t * motion_px[0] * scale * 2, 4 + t * motion_px[1] * scale * 2
        kernel[int(np.clip(round(dy), 0, 8)), int(np.clip(round(dx), 0, 8))] += 1
    return cv2.filter2D(image, -1, cv2.GaussianBlur(kernel / kernel.sum(), (0, 0), 0.5))
