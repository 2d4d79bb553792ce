"""Reads one photograph safely: limits before decoding, upright pixels once, a clear line when it cannot be read."""

from __future__ import annotations

import hashlib
import io
import re
import warnings
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
from PIL import Image, ImageCms, ImageOps, UnidentifiedImageError
from pillow_heif import register_heif_opener

register_heif_opener()

SUFFIXES = (".jpg", ".jpeg", ".png", ".webp", ".tif", ".tiff", ".heic", ".heif")
KINDS = "JPEG, PNG, WebP, TIFF or HEIC"
_FORMATS = ("JPEG", "PNG", "WEBP", "TIFF", "HEIF")
_ORIENTATION, _EXIF_IFD, _TAKEN_AT, _DATETIME, _FOCAL_35MM = 0x0112, 0x8769, 0x9003, 0x0132, 0xA405


class PhotoError(ValueError):
    """A photograph that cannot be read: expected, got, what to do, in one line."""


@dataclass(frozen=True)
class Limits:
    """What is still read. The defaults hold three pictures of a 108-MP phone's size in memory at most."""

    max_bytes: int = 100_000_000
    max_pixels: int = 120_000_000
    max_side_px: int = 30_000


@dataclass(frozen=True, eq=False)
class Photo:
    """An upright photograph. bgr: (H, W, 3) uint8; focal_35mm: EXIF's focal length for a 35-mm film frame."""

    bgr: np.ndarray
    name: str
    sha256: str
    width_px: int
    height_px: int
    taken_at: str | None = None
    focal_35mm: float | None = None


def read_photo(path: str | Path, limits: Limits | None = None) -> Photo:
    """Read JPEG, PNG, WebP, TIFF or HEIC as upright 8-bit BGR."""
    path = Path(path)
    limits = limits or Limits()
    data = _bytes_of(path, limits)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)  # our own limit is checked below
            image = Image.open(io.BytesIO(data), formats=_FORMATS)
    except Image.DecompressionBombError as error:
        raise _too_large(path, limits, "more pixels than that") from error
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError) as error:
        raise PhotoError(
            f"expected {KINDS}, got {path.name} whose content is something else; export the photograph again"
        ) from error
    _check_size(path, image.size, limits)
    taken_at, focal = _exif(image)
    bgr = _decoded(path, data, image)
    height, width = bgr.shape[:2]
    return Photo(bgr, path.name, hashlib.sha256(data).hexdigest(), width, height, taken_at, focal)


def list_photos(folder: str | Path) -> list[Path]:
    """The folder's photographs by name; a folder without any is an error."""
    folder = Path(folder)
    try:
        found = sorted(p for p in folder.iterdir() if p.suffix.lower() in SUFFIXES and p.is_file())
    except OSError as error:
        raise PhotoError(f"expected a folder of photographs, got {folder} ({error.strerror}); check it") from error
    if not found:
        raise PhotoError(
            f"expected a folder with photographs ({', '.join(SUFFIXES)}), got {folder} with none; choose another folder"
        )
    return found


def _bytes_of(path: Path, limits: Limits) -> bytes:
    try:
        if path.is_dir():
            raise PhotoError(f"expected a photograph, got the folder {path}; name a file in it")
        size = path.stat().st_size
        if size > limits.max_bytes:
            raise PhotoError(
                f"expected at most {limits.max_bytes / 1e6:.0f} MB, got {path.name} with {size / 1e6:.0f} MB; "
                "export it as JPEG"
            )
        data = path.read_bytes()
    except OSError as error:
        raise PhotoError(f"expected a readable photograph, got {path} ({error.strerror}); check the path") from error
    if not data:
        raise PhotoError(f"expected {KINDS}, got {path.name} which is empty; copy the photograph again")
    return data


def _check_size(path: Path, size: tuple[int, int], limits: Limits) -> None:
    width, height = size
    if width * height > limits.max_pixels or max(size) > limits.max_side_px:
        raise _too_large(path, limits, f"{width} x {height} px")
    if min(size) < 1:
        raise PhotoError(f"expected a picture with pixels, got {path.name} of {width} x {height} px; copy it again")


def _too_large(path: Path, limits: Limits, got: str) -> PhotoError:
    return PhotoError(
        f"expected at most {limits.max_pixels / 1e6:.0f} megapixels and {limits.max_side_px} px a side, "
        f"got {path.name} with {got}; scale it down"
    )


def _truncated(path: Path) -> PhotoError:
    return PhotoError(f"expected a whole picture, got {path.name} whose data are cut off or damaged; copy it again")


def _decoded(path: Path, data: bytes, image: Image.Image) -> np.ndarray:
    """(H, W, 3) uint8 BGR, upright. OpenCV decodes plain JPEG fast, and applies the EXIF orientation itself."""
    if image.format in ("JPEG", "MPO") and image.mode in ("RGB", "L"):
        if not _jpeg_is_whole(data):
            raise _truncated(path)
        bgr = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
        if bgr is None:
            raise _truncated(path)
        return bgr
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            # pillow-heif has turned the pixels and reset the tag already, so this turns no picture twice
            upright = ImageOps.exif_transpose(image)
            return np.ascontiguousarray(_to_rgb(upright)[..., ::-1])
    except (OSError, ValueError, SyntaxError, EOFError, RuntimeError) as error:
        raise _truncated(path) from error


def _jpeg_is_whole(data: bytes) -> bool:
    """Whether an end-of-image marker closes the last scan; bytes after it (phones append some) are allowed.

    In entropy-coded data 0xFF is always followed by 0x00 or a restart marker, so FF D9 after the last start of scan
    is the end of the picture (ITU-T T.81, B.1.1.2). An embedded preview lies before that scan.
    """
    start = _first_scan(data)
    return start is not None and data.find(b"\xff\xd9", start) >= 0


def _first_scan(data: bytes) -> int | None:
    """Offset of the first scan of the main picture, found by walking the segments and skipping their content."""
    at = 2
    while at + 4 <= len(data):
        if data[at] != 0xFF:
            return None
        marker = data[at + 1]
        if marker == 0xFF:  # fill byte
            at += 1
        elif marker == 0xDA:
            return at
        else:
            at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    return None


def _to_rgb(image: Image.Image) -> np.ndarray:
    """(H, W, 3) uint8: 16-bit scaled, alpha laid on white, CMYK through its profile where it has one."""
    if image.mode.startswith("I;16") or image.mode in ("I", "F"):
        return _sixteen_bit(np.asarray(image))
    if image.mode == "CMYK":
        return np.asarray(_cmyk_to_rgb(image))
    if image.mode in ("RGBA", "LA", "PA") or "transparency" in image.info:
        rgba = image.convert("RGBA")
        ground = Image.new("RGBA", rgba.size, (255, 255, 255, 255))
        ground.alpha_composite(rgba)
        return np.asarray(ground.convert("RGB"))
    return np.asarray(image.convert("RGB"))


def _sixteen_bit(values: np.ndarray) -> np.ndarray:
    """Greys of 16 bits (or floats up to 1, 255 or 65535) as 8 bits."""
    top = float(values.max(initial=0))
    full = 65535.0 if values.dtype.kind in "iu" or top > 255 else 255.0 if top > 1 else 1.0
    grey = np.rint(np.clip(values / full, 0, 1) * 255).astype(np.uint8)
    return np.repeat(grey[..., None], 3, axis=2)


def _cmyk_to_rgb(image: Image.Image) -> Image.Image:
    profile = image.info.get("icc_profile")
    if profile:
        try:
            source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
            turned = ImageCms.profileToProfile(image, source, ImageCms.createProfile("sRGB"), outputMode="RGB")
            if turned is not None:
                return turned
        except ImageCms.PyCMSError:
            return image.convert("RGB")  # a broken profile: the plain conversion is the best there is
    return image.convert("RGB")


def _exif(image: Image.Image) -> tuple[str | None, float | None]:
    """When it was taken (ISO 8601, camera's local time) and the focal length for a 35-mm frame."""
    try:
        exif = image.getexif()
        detail = exif.get_ifd(_EXIF_IFD)
    except (OSError, ValueError, SyntaxError, KeyError, TypeError):
        return None, None  # damaged EXIF says nothing; the picture itself may be sound
    return _iso_time(detail.get(_TAKEN_AT) or exif.get(_DATETIME)), _focal(detail.get(_FOCAL_35MM))


def _iso_time(value: object) -> str | None:
    match = re.match(r"\s*(\d{4})[:-](\d\d)[:-](\d\d)[ T](\d\d):(\d\d):(\d\d)", str(value or ""))
    if not match:
        return None
    try:
        return datetime(*(int(v) for v in match.groups())).isoformat()  # type: ignore[arg-type]
    except ValueError:
        return None


def _focal(value: object) -> float | None:
    try:
        focal = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return focal if 8 <= focal <= 600 else None
