"""Reading photographs: what is read, turned and limited, and how bad files are refused."""

from __future__ import annotations

import hashlib
import io
import struct
import zlib
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
import pytest
from PIL import Image

from vision.reading import Limits, PhotoError, list_photos, read_photo

QUARTERS = np.zeros((40, 60, 3), np.uint8)
QUARTERS[:20, :30], QUARTERS[:20, 30:], QUARTERS[20:, :30], QUARTERS[20:, 30:] = (
    (200, 30, 30), (30, 200, 30), (30, 30, 200), (200, 200, 30),
)  # fmt: skip


def _save(path: Path, image: Image.Image, **options: object) -> Path:
    image.save(path, **options)
    return path


def _refusal(path: Path, limits: Limits | None = None) -> str:
    with pytest.raises(PhotoError) as caught:
        read_photo(path, limits)
    message = str(caught.value)
    assert "\n" not in message
    assert message.startswith("expected ") and ", got " in message and "; " in message
    return message


@pytest.mark.parametrize("name", ["a.jpg", "a.png", "a.webp", "a.tif"])
def test_formats_come_out_as_upright_bgr(tmp_path: Path, name: str):
    """The four quarters keep their colours and places; size and hash are the file's."""
    path = _save(tmp_path / name, Image.fromarray(QUARTERS), quality=95)
    photo = read_photo(path)
    assert (photo.width_px, photo.height_px) == (60, 40) == photo.bgr.shape[1::-1]
    assert photo.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert photo.name == name
    for y, x in ((8, 10), (8, 50), (30, 10), (30, 50)):
        assert np.abs(photo.bgr[y, x].astype(int) - QUARTERS[y, x, ::-1]).max() < 12


def test_heic_is_read_and_not_turned_twice(tmp_path: Path):
    """A HEIC with EXIF orientation 6 comes out as other viewers show it: turned once."""
    heif = pillow_heif.from_pillow(Image.fromarray(np.repeat(np.repeat(QUARTERS, 4, 0), 4, 1)))
    exif = Image.Exif()
    exif[0x0112] = 6
    heif.save(tmp_path / "a.heic", quality=90, exif=exif.tobytes())
    photo = read_photo(tmp_path / "a.heic")
    shown = np.asarray(Image.open(tmp_path / "a.heic").convert("RGB"))
    assert photo.bgr.shape == shown.shape
    assert np.abs(photo.bgr[..., ::-1].astype(int) - shown).mean() < 3


@pytest.mark.parametrize("suffix", ["jpg", "png", "webp", "tif"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_exif_orientation_is_applied_exactly_once(tmp_path: Path, suffix: str, orientation: int):
    """All eight orientations, stored as cameras do, come back as the upright picture."""
    stored = {
        1: QUARTERS, 2: QUARTERS[:, ::-1], 3: QUARTERS[::-1, ::-1], 4: QUARTERS[::-1],
        5: QUARTERS.transpose(1, 0, 2), 6: np.rot90(QUARTERS), 7: np.rot90(QUARTERS, 2).transpose(1, 0, 2),
        8: np.rot90(QUARTERS, -1),
    }[orientation]  # fmt: skip
    exif = Image.Exif()
    exif[0x0112] = orientation
    path = _save(tmp_path / f"a.{suffix}", Image.fromarray(np.ascontiguousarray(stored)), exif=exif, quality=95)
    photo = read_photo(path)
    assert photo.bgr.shape == QUARTERS.shape
    assert np.abs(photo.bgr[..., ::-1].astype(int) - QUARTERS).mean() < 6


def test_time_and_focal_length_come_from_exif(tmp_path: Path):
    """ISO 8601 time of taking and the 35-mm equivalent; absent ones are None."""
    exif = Image.Exif()
    detail = exif.get_ifd(0x8769)
    detail[0x9003], detail[0xA405] = "2024:05:17 08:09:10", 26
    path = _save(tmp_path / "a.jpg", Image.fromarray(QUARTERS), exif=exif)
    assert (read_photo(path).taken_at, read_photo(path).focal_35mm) == ("2024-05-17T08:09:10", 26.0)
    bare = _save(tmp_path / "b.jpg", Image.fromarray(QUARTERS))
    assert (read_photo(bare).taken_at, read_photo(bare).focal_35mm) == (None, None)
    detail[0x9003], detail[0xA405] = "0000:00:00 00:00:00", 0
    odd = _save(tmp_path / "c.jpg", Image.fromarray(QUARTERS), exif=exif)
    assert (read_photo(odd).taken_at, read_photo(odd).focal_35mm) == (None, None)


def test_sixteen_bit_grey_alpha_palette_and_cmyk(tmp_path: Path):
    """Each mode ends as sensible 8-bit BGR: scaled, on white, looked up, converted."""
    half = np.full((30, 30), 32768, np.uint16)
    assert read_photo(_save(tmp_path / "a.png", Image.fromarray(half))).bgr.mean() == pytest.approx(128, abs=1)
    grey = _save(tmp_path / "b.jpg", Image.fromarray(np.full((30, 30), 90, np.uint8)))
    assert read_photo(grey).bgr.shape == (30, 30, 3)
    assert read_photo(grey).bgr.mean() == pytest.approx(90, abs=2)
    clear = np.zeros((30, 30, 4), np.uint8)
    assert read_photo(_save(tmp_path / "c.png", Image.fromarray(clear))).bgr.min() == 255
    palette = Image.fromarray(QUARTERS).convert("P")
    assert np.abs(read_photo(_save(tmp_path / "d.png", palette)).bgr[8, 10].astype(int) - (30, 30, 200)).max() < 40
    cyan = Image.new("CMYK", (30, 30), (255, 0, 0, 0))
    b, g, r = read_photo(_save(tmp_path / "e.jpg", cyan, quality=95)).bgr[15, 15].astype(int)
    assert r < 60 < 120 < min(b, g)


def test_a_text_file_named_jpg(tmp_path: Path):
    """The content decides, not the suffix."""
    (tmp_path / "notes.jpg").write_text("buy more tape")
    assert "notes.jpg whose content is something else" in _refusal(tmp_path / "notes.jpg")


def test_an_empty_file_a_folder_and_a_missing_file(tmp_path: Path):
    """Each is told apart."""
    (tmp_path / "a.jpg").write_bytes(b"")
    assert "a.jpg which is empty" in _refusal(tmp_path / "a.jpg")
    assert "got the folder" in _refusal(tmp_path)
    assert "No such file" in _refusal(tmp_path / "gone.jpg")


def _noise_jpeg(**options: object) -> bytes:
    out = io.BytesIO()
    noise = np.random.default_rng(1).integers(0, 255, (300, 400, 3), np.uint8)
    Image.fromarray(noise).save(out, "JPEG", quality=80, **options)
    return out.getvalue()


@pytest.mark.parametrize("progressive", [False, True])
@pytest.mark.parametrize("share", [0.999, 0.9, 0.5, 0.1])
def test_a_truncated_jpeg_is_refused(tmp_path: Path, share: float, progressive: bool):
    """Data cut anywhere, even by the last bytes, are not passed off as a picture with a grey rest."""
    whole = _noise_jpeg(progressive=progressive)
    (tmp_path / "cut.jpg").write_bytes(whole[: int(len(whole) * share)])
    assert "cut.jpg" in _refusal(tmp_path / "cut.jpg")
    (tmp_path / "whole.jpg").write_bytes(whole)
    assert read_photo(tmp_path / "whole.jpg").width_px == 400


def test_a_truncated_jpeg_with_an_embedded_preview_is_refused(tmp_path: Path):
    """The preview's own end marker does not make the main picture whole; bytes after a whole picture are allowed."""
    preview = _noise_jpeg()[:20000] + b"\xff\xd9"
    whole = _noise_jpeg(exif=b"Exif\0\0" + preview)
    (tmp_path / "cut.jpg").write_bytes(whole[:-5000])
    assert "cut off or damaged" in _refusal(tmp_path / "cut.jpg")
    (tmp_path / "tail.jpg").write_bytes(whole + b"vendor data" * 50)
    assert read_photo(tmp_path / "tail.jpg").height_px == 300


@pytest.mark.parametrize("suffix", ["png", "webp", "tif", "heic"])
def test_other_truncated_files_are_refused(tmp_path: Path, suffix: str):
    """Half a file of any kind is an error in one line."""
    noise = np.random.default_rng(2).integers(0, 255, (200, 300, 3), np.uint8)
    path = _save(tmp_path / f"a.{suffix}", Image.fromarray(noise))
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    assert path.name in _refusal(path)


def _huge_png(width: int, height: int) -> bytes:
    """A PNG whose header promises a giant picture, a few bytes long."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(b"\0")) + chunk(b"IEND", b"")


def test_giant_pictures_are_refused_from_their_header(tmp_path: Path):
    """40 000 x 40 000 px, a strip of 31 000 px and anything above the limits are refused undecoded."""
    (tmp_path / "bomb.png").write_bytes(_huge_png(40_000, 40_000))
    assert "120 megapixels" in _refusal(tmp_path / "bomb.png")
    (tmp_path / "strip.png").write_bytes(_huge_png(31_000, 10))
    assert "31000 x 10 px" in _refusal(tmp_path / "strip.png")
    small = _save(tmp_path / "a.png", Image.fromarray(QUARTERS))
    assert "60 x 40 px" in _refusal(small, Limits(max_pixels=2399))
    assert read_photo(small, Limits(max_pixels=2400)).width_px == 60


def test_a_file_above_the_byte_limit_is_refused(tmp_path: Path):
    """The size is looked at before the content."""
    path = _save(tmp_path / "a.png", Image.fromarray(QUARTERS))
    assert "at most 0 MB" in _refusal(path, Limits(max_bytes=10))


def test_a_large_jpeg_equals_opencvs_decoding(tmp_path: Path):
    """The fast path is OpenCV's decoder, pixel for pixel."""
    path = _save(tmp_path / "a.jpg", Image.fromarray(QUARTERS), quality=90)
    assert np.array_equal(read_photo(path).bgr, cv2.imread(str(path), cv2.IMREAD_COLOR))


def test_photographs_of_a_folder_are_listed_by_name(tmp_path: Path):
    """Accepted suffixes in any case, sorted; other files are passed over."""
    for name in ("b.JPG", "a.png", "c.txt", "d.heic"):
        (tmp_path / name).write_bytes(b"x")
    assert [p.name for p in list_photos(tmp_path)] == ["a.png", "b.JPG", "d.heic"]


def test_a_folder_without_photographs_is_an_error(tmp_path: Path):
    """So is a folder that does not exist."""
    with pytest.raises(PhotoError, match="with none"):
        list_photos(tmp_path)
    with pytest.raises(PhotoError, match="No such file"):
        list_photos(tmp_path / "gone")
