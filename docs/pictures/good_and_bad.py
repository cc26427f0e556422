"""Draw good-and-bad.jpg of photographing-a-seat.md from the samples: python docs/pictures/good_and_bad.py."""

from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

HERE = Path(__file__).parent
SAMPLES = HERE.parents[1] / "samples"
TILE = (400, 300)
"""Width and height of one picture, in pixels."""

GOOD, BAD = (70, 140, 40), (50, 50, 200)
Picture = NDArray[np.uint8]


def sample(name: str) -> Picture:
    """One of the samples, upright."""
    read = cv2.imread(str(SAMPLES / f"{name}.jpg"))
    assert read is not None
    return np.asarray(read, np.uint8)


def tilted(picture: Picture) -> Picture:
    """As from the front of the seat instead of from above it."""
    h, w = picture.shape[:2]
    corners = np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float32)
    seen = np.array(
        [[-0.03 * w, -0.1 * h], [1.03 * w, -0.1 * h], [2.1 * w, 1.02 * h], [-1.1 * w, 1.02 * h]], np.float32
    )
    turned = cv2.warpPerspective(
        picture, cv2.getPerspectiveTransform(corners, seen), (w, h), borderMode=cv2.BORDER_REFLECT
    )
    return np.asarray(turned, np.uint8)


def glare(picture: Picture) -> Picture:
    """A lamp mirrored in the varnish of two rails."""
    h, w = picture.shape[:2]
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    light = np.zeros((h, w), np.float32)
    for cx, cy, rx, ry in ((0.27, 0.55, 0.07, 0.16), (0.70, 0.36, 0.06, 0.10)):
        light += np.exp(-((((x / w - cx) / rx) ** 2 + ((y / h - cy) / ry) ** 2) ** 2))
    return np.asarray((picture + 255 * light.clip(0, 1)[..., None] * 1.1).clip(0, 255), np.uint8)


def far(picture: Picture) -> Picture:
    """The seat small in the middle of much floor."""
    h, w = picture.shape[:2]
    tiled = np.tile(picture[: h // 6, : w // 6], (7, 7, 1))[:h, :w]
    ground = cv2.resize(cv2.flip(tiled, 0)[: h // 2, : w // 2], (w, h), interpolation=cv2.INTER_LINEAR)
    small = cv2.resize(picture, None, fx=0.3, fy=0.3, interpolation=cv2.INTER_AREA)
    y, x = (h - small.shape[0]) // 2, (w - small.shape[1]) // 2
    out = cv2.GaussianBlur(ground, (0, 0), 2)
    soft = np.zeros(small.shape[:2], np.float32)
    soft[12:-12, 12:-12] = 1
    soft = cv2.GaussianBlur(soft, (0, 0), 6)[..., None]
    out[y : y + small.shape[0], x : x + small.shape[1]] = (
        soft * small + (1 - soft) * out[y : y + small.shape[0], x : x + small.shape[1]]
    )
    return np.asarray(out, np.uint8)


def tile(picture: Picture, words: str, good: bool) -> Picture:
    """The picture at the size of a tile, framed, with its caption."""
    w, h = TILE
    factor = max(w / picture.shape[1], h / picture.shape[0])
    small = cv2.resize(picture, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    y, x = (small.shape[0] - h) // 2, (small.shape[1] - w) // 2
    out = np.full((h + 34, w, 3), 255, np.uint8)
    out[:h] = small[y : y + h, x : x + w]
    colour = GOOD if good else BAD
    cv2.rectangle(out, (0, 0), (w - 1, h - 1), colour, 5)
    cv2.putText(out, words, (4, h + 24), cv2.FONT_HERSHEY_SIMPLEX, 0.62, colour, 2, cv2.LINE_AA)
    return np.asarray(cv2.copyMakeBorder(out, 4, 4, 4, 4, cv2.BORDER_CONSTANT, value=(255, 255, 255)), np.uint8)


def covered(picture: Picture) -> Picture:
    """A sheet of paper across the frame."""
    out = picture.copy()
    h, w = picture.shape[:2]
    sheet = np.array([[0.36, 0.70], [0.56, 0.66], [0.58, 0.95], [0.38, 0.99]]) * [w, h]
    shadow = (sheet + 0.012 * w).astype(np.int32)
    dark = out.copy()
    cv2.fillConvexPoly(dark, shadow, (40, 40, 40), cv2.LINE_AA)
    out = np.asarray(cv2.addWeighted(out, 0.5, dark, 0.5, 0), np.uint8)
    cv2.fillConvexPoly(out, sheet.astype(np.int32), (236, 240, 240), cv2.LINE_AA)
    return out


def main() -> None:
    """Write good-and-bad.jpg beside this file."""
    seat, stool = sample("kitchen-chair"), sample("round-stool")
    w = seat.shape[1]
    tiles = [
        tile(seat, "good: card and ruler, whole, from above", True),
        tile(stool, "good: a card flat on the frame", True),
        tile(tilted(stool), "bad: from the front, not from above", False),
        tile(np.ascontiguousarray(seat[:, int(0.27 * w) :]), "bad: a rail cut off", False),
        tile(far(stool), "bad: too far away", False),
        tile(np.asarray(cv2.GaussianBlur(seat, (0, 0), 9), np.uint8), "bad: shaken or out of focus", False),
        tile(glare(seat), "bad: a lamp mirrored in the varnish", False),
        tile(np.asarray(stool * 0.16, np.uint8), "bad: too dark", False),
        tile(covered(stool), "bad: something lies over holes", False),
    ]
    rows = [np.hstack(tiles[k : k + 3]) for k in range(0, len(tiles), 3)]
    cv2.imwrite(str(HERE / "good-and-bad.jpg"), np.vstack(rows), [cv2.IMWRITE_JPEG_QUALITY, 80])


if __name__ == "__main__":
    main()
