"""Things that no training picture showed, lying on the mat: none gets a decision, and none is called sound."""

import cv2
import numpy as np
import pytest

from desk.assess import AssessSettings
from desk.batch import assess_all
from models.repair import Answers, load_rules
from vision.layout import builtin_layouts
from vision.layout_raster import raster
from vision.own_mats import own_layout

PX_PER_MM = 8.0
SIZE = (1600, 1200)


def lit(page, height, colour):
    """The page with something on it: (H, W) heights in px, 0 where there is nothing, and its (H, W, 3) colour."""
    there = (height > 0).astype(np.float32)
    shadow = np.roll(cv2.GaussianBlur(there, (0, 0), 20), (18, 14), (0, 1))
    rise_y, rise_x = np.gradient(cv2.GaussianBlur(height.astype(np.float32), (0, 0), 2))
    normal = np.dstack([-2 * rise_x, -2 * rise_y, np.ones_like(rise_x)])
    normal /= np.linalg.norm(normal, axis=2, keepdims=True)
    bright = np.clip((normal * [-0.4, -0.5, 0.77]).sum(2), 0, 1)[..., None]
    thing = colour * (0.35 + 0.75 * bright) + 120 * bright**30
    share = cv2.GaussianBlur(there, (0, 0), 1)[..., None]
    return np.clip(page * (1 - 0.55 * shadow[..., None]) * (1 - share) + thing * share, 0, 255).astype(np.uint8)


def along(page, half_width_px, stripe):
    """Heights and colours of something round that lies in a wave; `stripe` gives colours (N, 3) for turns (N,)."""
    h, w = page.shape[:2]
    t = np.linspace(0, 1, 6000)
    line = np.stack([w * (0.14 + 0.7 * t), h * (0.5 + 0.16 * np.sin(5 * t))], axis=1)
    heading = np.gradient(line, axis=0)
    heading /= np.linalg.norm(heading, axis=1, keepdims=True)
    way = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    height, colour = np.zeros((h, w), np.float32), np.zeros((h, w, 3), np.float32)
    for v in np.linspace(-1, 1, 3 * half_width_px):
        x, y = np.round(line + v * half_width_px * np.stack([-heading[:, 1], heading[:, 0]], axis=1)).astype(int).T
        height[y, x] = 0.5 * half_width_px * np.sqrt(1 - v * v)
        colour[y, x] = stripe((way / 70 + 0.9 * v) % 1)
    kernel = np.ones((3, 3), np.uint8)
    return cv2.morphologyEx(height, cv2.MORPH_CLOSE, kernel), cv2.morphologyEx(colour, cv2.MORPH_CLOSE, kernel)


def rope(page):
    """Brown, twisted from three strands."""
    return lit(page, *along(page, 60, lambda s: np.outer(0.75 + 0.35 * np.sin(np.pi * s), [110, 150, 190])))


def hose(page):
    """Black rubber, as thick as a thumb."""
    return lit(page, *along(page, 70, lambda s: np.full((len(s), 3), 45.0)))


def solid(page, draw, bgr):
    """A flat thing with bevelled edges, drawn by `draw` on an (H, W) uint8 mask."""
    mask = np.zeros(page.shape[:2], np.uint8)
    draw(mask, *page.shape[:2])
    return lit(page, np.minimum(cv2.distanceTransform(mask, cv2.DIST_L2, 5), 12), np.full(page.shape, bgr, float))


def spanner(page):
    """Steel, 130 mm long."""

    def draw(mask, h, w):
        cv2.line(mask, (int(0.3 * w), h // 2), (int(0.7 * w), h // 2), 1, 70)
        cv2.circle(mask, (int(0.27 * w), h // 2), 110, 1, -1)
        cv2.circle(mask, (int(0.73 * w), h // 2), 100, 1, -1)
        cv2.rectangle(mask, (int(0.27 * w) - 130, h // 2 - 42), (int(0.27 * w) - 20, h // 2 + 42), 0, -1)
        cv2.circle(mask, (int(0.73 * w), h // 2), 45, 0, -1)

    return solid(page, draw, (165, 165, 165))


def chain(page):
    """Steel links, every other on edge."""

    def draw(mask, h, w):
        for k, x in enumerate(np.arange(0.15 * w, 0.85 * w, 75)):
            cv2.ellipse(mask, (int(x), h // 2), (52, 9 if k % 2 else 30), 0, 0, 360, 1, 14)

    return solid(page, draw, (150, 150, 150))


def hand(page):
    """Palm and five fingers."""

    def draw(mask, h, w):
        palm = (w // 2, int(0.62 * h))
        cv2.ellipse(mask, palm, (300, 330), 0, 0, 360, 1, -1)
        for turn in np.radians([-60, -25, -5, 15, 38]):
            tip = (int(palm[0] + 700 * np.sin(turn)), int(palm[1] - 700 * np.cos(turn)))
            cv2.line(mask, palm, tip, 1, 120)

    return solid(page, draw, (135, 165, 215))


def text(page):
    """Somebody's typed report, printed on the mat."""
    out, (h, w) = page.copy(), page.shape[:2]
    for i in range(22):
        words = f"Report of the meeting held on the ninth, item {i}: nothing"
        cv2.putText(
            out, words, (int(0.14 * w), int((0.16 + 0.03 * i) * h)), cv2.FONT_HERSHEY_SIMPLEX, 1.3, (30,) * 3, 3
        )
    return out


def photograph(page, path):
    """The page from above on a dark table: slightly turned and tilted, a little blur and noise."""
    h, w = page.shape[:2]
    corners = np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float32)
    seen = np.array([[130, 110], [1450, 170], [1490, 1080], [90, 1040]], np.float32)
    small = cv2.GaussianBlur(page, (0, 0), 0.4 * w / SIZE[0])
    view = cv2.warpPerspective(small, cv2.getPerspectiveTransform(corners, seen), SIZE, borderValue=(48, 54, 60))
    noise = np.random.default_rng(7).normal(0, 1.5, view.shape)
    cv2.imwrite(str(path), np.clip(0.93 * view + noise, 0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 92])
    return path


@pytest.fixture(scope="module")
def page():
    """The printed A4 mat, 8 px a mm."""
    return raster(own_layout("a4"), PX_PER_MM)


@pytest.fixture(scope="module")
def settings():
    """As for a shop that says the circuit is none of the referred classes."""
    return AssessSettings(tuple(builtin_layouts()), load_rules(), Answers(circuit_class="none"))


@pytest.mark.parametrize("thing", [rope, hose, spanner, chain, hand, text])
def test_what_is_no_assembly_gets_no_decision(thing, page, settings, tmp_path):
    """Unsure, novel or unusable, with the mat found all the same; the route stays open and is at worst a rebuild."""
    entry = assess_all([photograph(thing(page), tmp_path / f"{thing.__name__}.jpg")], settings).entries[0]
    findings = entry.findings
    assert findings is not None and findings.scale.source == "mat"
    assert findings.unsure or findings.novel or not findings.usable
    assert findings.decision is not None
    assert findings.decision.route == "undecided" and findings.decision.route_worst != "return_to_service"


def test_an_empty_mat_is_asked_for_again(page, settings, tmp_path):
    """Nothing lies there: no label, not even sound, and the advice says what to do."""
    findings = assess_all([photograph(page, tmp_path / "empty.jpg")], settings).entries[0].findings
    assert findings is not None and not findings.usable and findings.label is None
    assert any("lay the assembly on the mat" in advice.advice for advice in findings.retake)
