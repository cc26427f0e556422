"""Read a photograph once: upright, eight-bit sRGB as coded, with linear light on demand.

Pixels are (x, y): x right, y down, origin at the centre of the top-left pixel
of the upright picture. Arrays are indexed [row, col].

Colours are taken as sRGB whatever profile the file carries. Phones often write Display P3,
which has the same transfer curve and the same white (SMPTE EG 432-1 primaries with the sRGB
curve), so greys are exactly the same and wood colours differ by little: nothing here measures colour.
"""

import hashlib
import io
import math
import stat
import warnings
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from holecount import decoder_words, exif, jpeg
from holecount.exif import FULL_FRAME_DIAGONAL_MM
from holecount.torn import torn_row
from holecount.troubles import BadInput, UnfitPhoto

if TYPE_CHECKING:
    from PIL import Image

PHOTO_SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif")
"""File name endings looked for in a folder; a photo named one by one may be called anything."""

_MISSING_GREY = 128
"""What a JPEG decoder paints where the data ran out: all coefficients zero (T.81 A.3.1 level shift)."""

_SIGNS_OF_DAMAGE = ("premature end", "Premature end", "bad Huffman code", "instead of RST")
"""In the words of libjpeg (jerror.h): picture data ran out or made no sense, and something was painted instead."""


def _srgb_to_linear_table() -> NDArray[np.float32]:
    """Linear light 0..1 of each eight-bit sRGB code (IEC 61966-2-1)."""
    v = np.arange(256) / 255.0
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)


LINEAR_FROM_SRGB: NDArray[np.float32] = _srgb_to_linear_table()


_ASPECTS, _ASPECT_TOLERANCE = (4 / 3, 3 / 2, 16 / 9), 0.006
"""Long over short side of pictures as cameras save them, and how far off for rounding (from memory)."""


def looks_cut(width_px: int, height_px: int) -> bool:
    """Whether the picture's shape says that part of it was cut off since.

    Then its optical axis need not be in its middle, and the focal length that EXIF tells is another picture's.
    """
    aspect = max(width_px, height_px) / min(width_px, height_px)
    return min(abs(aspect / usual - 1) for usual in _ASPECTS) > _ASPECT_TOLERANCE


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadSettings:
    """Limits of what is read.

    Attributes
    ----------
    most_px : int
        Pixels in the picture, checked in the header before anything is decoded. Fifty megapixels as
        phones count them: the largest such sensor in use is 8192 x 6144 = 50.3 million. From memory.
    most_bytes : int
        Size of the file: 50 megapixels of 16-bit colour without compression are 300 million. Derived.
    least_side_px : int
        Shorter side; below it not even a row of the smallest holes (2 px radius) fits. Derived.
    most_scans : int
        Passes of a progressive JPEG: usual ones have about 10; thousands are an attack on the
        reader's patience. Own choice.
    """

    most_px: int = 51_000_000
    most_bytes: int = 400_000_000
    least_side_px: int = 120
    most_scans: int = 100


@dataclass(frozen=True)
class Photo:
    """An upright photograph.

    Attributes
    ----------
    path : Path
    sha256 : str
        Of the file's bytes.
    bgr : uint8 array, shape (height, width, 3)
        As coded (sRGB), blue first as OpenCV has it.
    focal_35mm : float or None
        35-mm-equivalent focal length from EXIF, in mm.
    focal_from : str
        Where that came from, or why there is none, in words.
    notes : tuple of str
        What was done to the picture while reading, in words (transparency painted white, for one).
    """

    path: Path
    sha256: str
    bgr: NDArray[np.uint8]
    focal_35mm: float | None = None
    focal_from: str = ""
    notes: tuple[str, ...] = ()

    @property
    def width_px(self) -> int:
        """Columns of the upright picture."""
        return int(self.bgr.shape[1])

    @property
    def height_px(self) -> int:
        """Rows of the upright picture."""
        return int(self.bgr.shape[0])

    @property
    def focal_px(self) -> float | None:
        """Focal length in pixels, from EXIF; None when the file does not tell."""
        if self.focal_35mm is None:
            return None
        return self.focal_35mm * math.hypot(self.width_px, self.height_px) / FULL_FRAME_DIAGONAL_MM

    @cached_property
    def grey(self) -> NDArray[np.uint8]:
        """Coded (sRGB) luma, shape (height, width): for finding, never for measuring."""
        return np.asarray(cv2.cvtColor(self.bgr, cv2.COLOR_BGR2GRAY), np.uint8)


def read_photo(path: Path | str, settings: ReadSettings | None = None) -> Photo:
    """Read JPEG, PNG, TIFF, WebP or HEIC/HEIF: upright, eight bits a channel, transparency on white.

    Raises
    ------
    BadInput
        When the file is missing, unreadable, damaged, too large or no photograph.
    UnfitPhoto
        When it is too small to hold a seat.
    """
    s = settings or ReadSettings()
    path = Path(path)
    data = _read_bytes(path, s)
    return photo_from_bytes(data, path, s)


def photo_from_bytes(data: bytes, path: Path, settings: ReadSettings | None = None) -> Photo:
    """Make a photograph of a file's bytes; ``path`` names it in messages. Raises like `read_photo`."""
    s = settings or ReadSettings()
    if data[:3] == b"\xff\xd8\xff":
        bgr, tags, stored_px, notes = _decode_jpeg(data, path, s)
    else:
        bgr, tags, stored_px, notes = _decode_other(data, path, s)
    focal = exif.focal_35mm(tags, *stored_px)
    return Photo(
        path=path,
        sha256=hashlib.sha256(data).hexdigest(),
        bgr=bgr,
        focal_35mm=focal.focal_35mm,
        focal_from=focal.words,
        notes=tuple(notes),
    )


def _read_bytes(path: Path, s: ReadSettings) -> bytes:
    """The file's bytes, after looking what kind of thing it is."""
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise BadInput(f"'{path}' is a folder, not a photograph.", "Give the photograph's own name.")
        if not stat.S_ISREG(status.st_mode):
            raise BadInput(f"'{path}' is not a file.", "Give a photograph saved as a file.")
        if status.st_size == 0:
            raise BadInput(f"'{path}' is empty (0 bytes).", "Copy it from the phone or camera again.")
        if status.st_size > s.most_bytes:
            raise BadInput(
                f"'{path}' is {status.st_size / 1e6:.0f} MB, more than the {s.most_bytes / 1e6:.0f} MB that are read.",
                "Save it as a JPEG.",
            )
        return path.read_bytes()
    except FileNotFoundError as e:
        raise BadInput(f"'{path}' does not exist.", "Check the name and the folder.") from e
    except PermissionError as e:
        raise BadInput(f"'{path}' may not be read (no permission).", "Change its permissions or copy it.") from e
    except (OSError, ValueError) as e:
        why = e.strerror if isinstance(e, OSError) and e.strerror else "not a usable name"
        raise BadInput(f"'{path}' cannot be read: {why}.", "Check the name, or copy the file to another folder.") from e


def _check_size(width_px: int, height_px: int, path: Path, s: ReadSettings) -> None:
    """Refuse too many and too few pixels, from what the header says."""
    if width_px * height_px > s.most_px:
        raise BadInput(
            f"'{path}' has {width_px} x {height_px} pixels ({width_px * height_px / 1e6:.0f} megapixels); "
            f"up to {s.most_px // 1_000_000 // 10 * 10} megapixels are read.",
            "Save it at half its size.",
        )
    if min(width_px, height_px) < s.least_side_px:
        raise UnfitPhoto(
            f"'{path}' is only {width_px} x {height_px} pixels, too small to show a row of holes.",
            "Give the photograph as the camera made it, not a thumbnail.",
        )


def _damaged(path: Path, why: str) -> BadInput:
    return BadInput(f"'{path}' is damaged: {why}.", "Copy it from the phone or camera again.")


_Decoded = tuple[NDArray[np.uint8], dict[int, float], tuple[int, int], list[str]]
"""Upright picture, EXIF tags, stored (width, height), notes."""


def _decode_jpeg(data: bytes, path: Path, s: ReadSettings) -> _Decoded:
    """JPEG by OpenCV: the hot path, nothing else imported."""
    try:
        head = jpeg.read_head(data)
    except jpeg.DamagedJpeg as e:
        raise _damaged(path, str(e)) from e
    _check_size(head.width_px, head.height_px, path, s)
    if head.n_scans > s.most_scans:
        raise BadInput(
            f"'{path}' is a JPEG of {head.n_scans} passes, more than any camera writes.", "Save it as an ordinary JPEG."
        )
    if head.n_components == 4 or head.bits != 8:
        return _decode_other(data, path, s)
    with decoder_words.caught() as words:
        try:
            bgr = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION)
        except cv2.error as e:
            raise _damaged(path, "its picture cannot be decoded") from e
    if bgr is None or bgr.shape[:2] != (head.height_px, head.width_px):
        raise _damaged(path, "its picture cannot be decoded")
    if bool((bgr[-1] == _MISSING_GREY).all()):
        raise _damaged(path, "the lower part of the picture is missing")
    if any(sign in line for line in words for sign in _SIGNS_OF_DAMAGE):
        raise _damaged(path, "a part of its picture cannot be decoded")
    row = torn_row(np.asarray(bgr, np.uint8))
    if row is not None:
        raise _damaged(path, f"its colours jump at row {row} of the picture as stored")
    tags = exif.read_tags(head.exif)
    upright = turn_upright(np.asarray(bgr, np.uint8), exif.orientation(tags))
    return upright, tags, (head.width_px, head.height_px), []


def turn_upright(picture: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """Undo an EXIF orientation 1 to 8 (CIPA DC-008 table 4) of an array indexed [row, col]."""
    turned: NDArray[np.uint8] = picture
    if orientation in (5, 6, 7, 8):
        turned = np.asarray(cv2.transpose(turned), np.uint8)
    flip = {2: 1, 3: -1, 4: 0, 6: 1, 7: -1, 8: 0}.get(orientation)
    return turned if flip is None else np.asarray(cv2.flip(turned, flip), np.uint8)


_FORMATS = ("PNG", "TIFF", "WEBP", "JPEG", "HEIF")


def _decode_other(data: bytes, path: Path, s: ReadSettings) -> _Decoded:
    """All that is no ordinary JPEG, by Pillow, which looks into the header before it decodes."""
    _refuse_known_strangers(data, path)
    import PIL
    from PIL import Image

    formats = [f for f in _FORMATS if f != "HEIF" or _is_heif(data)]
    if _is_heif(data):
        _open_heif(path)
    try:
        with warnings.catch_warnings(), decoder_words.caught():
            warnings.simplefilter("ignore")  # Pillow remarks on oddities in tags: not the user's concern.
            with Image.open(io.BytesIO(data), formats=formats) as picture:
                stored_px = picture.size
                _check_size(*stored_px, path, s)
                _refuse_raw(picture, path)
                tags = _tags_of(picture)
                picture.load()
                # Some decoders turn the picture upright themselves and then take the tag away.
                turn = picture.getexif().get(exif.ORIENTATION, 1)
                tags[exif.ORIENTATION] = float(turn) if isinstance(turn, int) else 1.0
                bgr, notes = _eight_bit_bgr(picture, path)
    except PIL.UnidentifiedImageError as e:
        raise _no_photograph(path) from e
    except Image.DecompressionBombError as e:
        raise BadInput(f"'{path}' has far more than 50 megapixels.", "Save it at half its size.") from e
    except (BadInput, UnfitPhoto):
        raise
    except Exception as e:  # Decoders fail in every way there is: OSError, ValueError, SyntaxError, struct.error, ...
        why = "it is cut off" if "truncated" in str(e).lower() else "its picture cannot be decoded"
        raise _damaged(path, why) from e
    return turn_upright(bgr, exif.orientation(tags)), tags, stored_px, notes


def _no_photograph(path: Path) -> BadInput:
    return BadInput(f"'{path}' is not a photograph.", "Give a JPEG, PNG, TIFF, WebP or HEIC file.")


def _is_heif(data: bytes) -> bool:
    """Whether the bytes are HEIF with HEVC or unnamed coding (ISO/IEC 23008-12 brands)."""
    brands = (b"heic", b"heix", b"hevc", b"hevx", b"heim", b"heis", b"mif1", b"msf1")
    return data[4:8] == b"ftyp" and data[8:12] in brands


def _refuse_known_strangers(data: bytes, path: Path) -> None:
    """Say by name what people hand in by mistake."""
    if b"%PDF-" in data[:1024]:
        raise BadInput(f"'{path}' is a PDF, not a photograph.", "Give the photograph itself, as JPEG, PNG or HEIC.")
    if data[4:8] == b"ftyp" and not _is_heif(data):
        what = "an AVIF picture" if data[8:12] in (b"avif", b"avis") else "a film or a raw file"
        raise BadInput(f"'{path}' is {what}, which is not read.", "Save it as a JPEG.")
    if data[:4] == b"II*\0" and data[8:10] == b"CR":
        raise _raw(path)


def _raw(path: Path) -> BadInput:
    return BadInput(f"'{path}' is a camera's raw file.", "Save it as a JPEG with the camera's or phone's own program.")


def _refuse_raw(picture: "Image.Image", path: Path) -> None:
    """Raw files look like TIFFs whose first picture is a thumbnail; measuring that would be wrong."""
    tags = getattr(picture, "tag_v2", None)
    if picture.format != "TIFF" or tags is None:
        return
    dng_version, subfile_type, sub_directories = 50706, 254, 330
    if dng_version in tags or (int(tags.get(subfile_type, 0)) & 1 and sub_directories in tags):
        raise _raw(path)


def _open_heif(path: Path) -> None:
    try:
        import pillow_heif
    except ImportError as e:
        raise BadInput(
            f"'{path}' is a HEIC photograph, and the package that reads them is not installed.",
            "Install it with: pip install pillow-heif; or save the photograph as JPEG.",
        ) from e
    pillow_heif.register_heif_opener()


def _tags_of(picture: "Image.Image") -> dict[int, float]:
    """The wanted EXIF tags of an opened picture; what is damaged is left out."""
    found = picture.getexif()
    tags: dict[int, float] = {}
    for source in (found, found.get_ifd(exif.EXIF_DIRECTORY)):
        for tag in exif.WANTED & set(source):
            try:
                tags[tag] = float(source[tag])
            except (TypeError, ValueError, ZeroDivisionError):
                continue
    return tags


def _eight_bit_bgr(picture: "Image.Image", path: Path) -> tuple[NDArray[np.uint8], list[str]]:
    """A loaded picture of any mode as an eight-bit blue-green-red array; transparency becomes white."""
    notes: list[str] = []
    if picture.mode.startswith("I"):
        deep = np.asarray(picture).astype(np.int64)
        if deep.size and (deep.min() < 0 or deep.max() > 65535):
            raise BadInput(f"'{path}' has 32 bits a pixel.", "Save it with 8 or 16 bits.")
        grey = ((deep + 128) // 257).astype(np.uint8)
        return np.asarray(cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR), np.uint8), notes
    if picture.mode in ("F", "LAB", "HSV"):
        raise BadInput(f"'{path}' holds colours of a kind that is not read ({picture.mode}).", "Save it as a JPEG.")
    if picture.mode in ("RGBA", "LA", "PA", "La", "RGBa") or "transparency" in picture.info:
        from PIL import Image

        clear = picture.convert("RGBA")
        if clear.getchannel("A").getextrema() != (255, 255):
            notes.append("transparent parts of the picture were painted white")
        white = Image.new("RGBA", clear.size, (255, 255, 255, 255))
        white.alpha_composite(clear)
        picture = white
    rgb = np.asarray(picture.convert("RGB"), np.uint8)
    return np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), np.uint8), notes
