"""From light to a phone's JPEG: lens and sensor faults, tone curve, sharpening, compression."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.colours import encoded

Floats = NDArray[Any]
TONE_STEPS = 8192  # of the square root of light, up to twice white


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
    sent_on: tuple[float, int] | None = None  # scale and quality of a second compression, as messengers do
    smear: float = 0.0  # how far noise reduction wipes fine marks away, 0..1
    halo_px: float = 0.0  # radius of a second, coarse sharpening at 2000 px across
    lifted: float = 0.0  # how far shadows are raised and lights held back towards their surroundings, 0..1


def choose_sensor(rng: np.random.Generator, light_colour: Floats, white: float) -> Sensor:
    """A random phone; `white` is the light's level that shall become nearly white, its colour mostly balanced away."""
    balance = (light_colour.mean() / np.maximum(light_colour, 0.02)) ** float(rng.uniform(0.6, 1.0))
    balance = balance * np.exp(rng.normal(0, 0.03, 3))
    move = rng.uniform(0, np.pi)
    far = float(rng.exponential(0.5)) if rng.random() < 0.25 else 0.0
    # dice of their own: pictures that none of these happens to stay as they were
    mishap = rng.spawn(1)[0]
    if mishap.random() < 0.12:
        balance = balance * _lamp_light_left(mishap)
    dark = float(mishap.uniform(0.4, 0.8)) if mishap.random() < 0.15 else 1.0
    sent_on = (float(mishap.uniform(0.6, 1.0)), int(mishap.integers(55, 85))) if mishap.random() < 0.2 else None
    return Sensor(
        gain=(balance * dark * rng.uniform(0.55, 0.95) / white).astype(np.float32),
        vignette=float(rng.uniform(0.0, 0.4)),
        blur_px=float(rng.uniform(0.3, 0.75) if rng.random() < 0.8 else rng.uniform(0.7, 1.6)),
        motion_px=(float(np.cos(move) * far), float(np.sin(move) * far)),
        noise=float(rng.uniform(0.002, 0.012)),
        contrast=float(rng.uniform(0.0, 0.35)),
        saturation=float(rng.uniform(0.9, 1.25)),
        sharpen=float(rng.uniform(0.0, 0.9)),
        quality=int(rng.integers(70, 96)),
        sent_on=sent_on,
    )


def worked_over(rng: np.random.Generator, sensor: Sensor) -> Sensor:
    """The same phone with heavier processing: some of smear, halo, lifted shadows and coarse compression."""
    do = rng.random(4) < (0.5, 0.5, 0.4, 0.5)
    if not do.any():
        do[int(rng.integers(4))] = True
    sent_on = (float(rng.uniform(0.45, 0.9)), int(rng.integers(28, 60))) if do[3] else sensor.sent_on
    return replace(
        sensor,
        smear=float(rng.uniform(0.4, 1.0)) if do[0] else 0.0,
        halo_px=float(rng.uniform(2.0, 5.0)) if do[1] else 0.0,
        lifted=float(rng.uniform(0.25, 0.6)) if do[2] else 0.0,
        sent_on=sent_on,
    )


def _processed(out: Floats, sensor: Sensor, scale: float) -> Floats:
    """Smear, lifted shadows and halo over the (H,W,3) picture 0..1."""
    if sensor.smear:
        soft = np.ascontiguousarray(cv2.GaussianBlur(out, (0, 0), max(0.6, 2.2 * scale)))
        change = np.abs(out - soft).max(axis=2)
        keep = np.clip((change - 0.015) / 0.05, 1 - sensor.smear, 1)[..., None]  # what is weak is taken for noise
        out = soft + keep * (out - soft)
    if sensor.lifted:
        h, w = out.shape[:2]
        small = cv2.resize(out.mean(axis=2), (max(8, w // 24), max(8, h // 24)), interpolation=cv2.INTER_AREA)
        around = cv2.resize(cv2.GaussianBlur(small, (0, 0), 2.0), (w, h), interpolation=cv2.INTER_LINEAR)
        out = out * (np.clip(around, 0.06, 1.0) ** (-0.5 * sensor.lifted) * 0.62 ** (0.5 * sensor.lifted))[..., None]
    if sensor.halo_px:
        soft = cv2.GaussianBlur(out, (0, 0), max(0.8, sensor.halo_px * scale))
        out = cv2.addWeighted(out, 1.55, soft, -0.55, 0.0)
    return out.astype(np.float32)


def _lamp_light_left(rng: np.random.Generator) -> Floats:
    """Red, green and blue, (3,), as a phone leaves them under a warm lamp: up to about 2700 K taken for 4500 K."""
    warm = float(rng.uniform(0.3, 1.0))
    return np.array([1 + 0.28 * warm, 1.0, 1 - 0.42 * warm])


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
    np.maximum(image, 0, out=image)
    image += _grain(rng, h, w) * (sensor.noise * np.sqrt(image[..., 1] + 0.02))[..., None]
    np.clip(image, 0, 2, out=image)
    np.sqrt(image, out=image)
    out = _tone_table(sensor.contrast)[(image * (TONE_STEPS / 2)).astype(np.uint16)]
    out = cv2.transform(out, _saturate(sensor.saturation))
    if sensor.sharpen > 0.05:
        soft = cv2.GaussianBlur(out, (0, 0), 1.1)
        out = cv2.addWeighted(out, 1 + sensor.sharpen, soft, -sensor.sharpen, 0.0)
    if sensor.smear or sensor.halo_px or sensor.lifted:
        out = _processed(out, sensor, scale)
    bgr = cv2.convertScaleAbs(np.maximum(out, 0), alpha=255)
    picture = _compressed(np.ascontiguousarray(bgr), sensor.quality)
    if sensor.sent_on:
        share, quality = sensor.sent_on
        small = np.asarray(cv2.resize(picture, None, fx=share, fy=share, interpolation=cv2.INTER_AREA), np.uint8)
        # back at the size that the truth speaks of; what the way took from it stays lost
        picture = np.asarray(cv2.resize(_compressed(small, quality), (w, h), interpolation=cv2.INTER_CUBIC), np.uint8)
    return picture


def _compressed(bgr: NDArray[np.uint8], quality: int) -> NDArray[np.uint8]:
    done, code = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not done:
        raise RuntimeError(f"expected a JPEG of {bgr.shape[:2]}, the encoder refused it; check the OpenCV build")
    return np.asarray(cv2.imdecode(code, cv2.IMREAD_COLOR), np.uint8)


def _grain(rng: np.random.Generator, h: int, w: int) -> Floats:
    """(H,W,3) noise of deviation about 1: fine in brightness, coarser in colour, from one tile laid with turns."""
    tile = rng.standard_normal((512, 512, 3), dtype=np.float32)
    tile = cv2.GaussianBlur(tile, (0, 0), 0.55) * 1.7 + cv2.GaussianBlur(tile[::-1], (0, 0), 1.3) * np.float32(1.2)
    flips = [tile, tile[::-1], tile[:, ::-1], tile.transpose(1, 0, 2)]
    rows = [np.hstack([flips[int(k)] for k in rng.integers(0, 4, -(-w // 512))]) for _ in range(-(-h // 512))]
    return np.vstack(rows)[:h, :w]


def _tone_table(contrast: float) -> Floats:
    """Tone curve over the square root of light (index TONE_STEPS / 2 is white): shoulder, sRGB, then contrast."""
    light = (np.arange(TONE_STEPS + 1, dtype=np.float32) / (TONE_STEPS / 2)) ** 2
    light = np.where(light > 0.8, 0.8 + 0.2 * np.tanh((light - 0.8) / 0.2), light)
    out = encoded(light)
    return (out * (1 - contrast) + contrast * out * out * (3 - 2 * out)).astype(np.float32)


def _saturate(amount: float) -> Floats:
    """RGB to BGR with the colours stretched from grey, as a (3,3) matrix."""
    matrix = np.full((3, 3), (1 - amount) / 3) + np.eye(3) * amount
    return matrix[::-1].astype(np.float32)


def _shaken(image: Floats, motion_px: tuple[float, float], scale: float) -> Floats:
    if np.hypot(*motion_px) * scale < 0.3:
        return image
    kernel = np.zeros((9, 9), np.float32)
    for t in np.linspace(-0.5, 0.5, 15):
        dx, dy = 4 + t * motion_px[0] * scale * 2, 4 + t * motion_px[1] * scale * 2
        kernel[int(np.clip(round(dy), 0, 8)), int(np.clip(round(dx), 0, 8))] += 1
    return cv2.filter2D(image, -1, cv2.GaussianBlur(kernel / kernel.sum(), (0, 0), 0.5))
