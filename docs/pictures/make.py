"""Draw the pictures of how-it-works.md from a sample: python docs/pictures/make.py, from the top of the tree."""

from pathlib import Path

import cv2
import numpy as np

from holecount.holes.find import find_line
from holecount.holes.flat import flatten
from holecount.holes.spot import spot
from holecount.measure import MeasureRequest, find_references
from holecount.photo import read_photo
from holecount.scale.agree import fit_agreeing
from holecount.settle import gauge_all, outlines_px

HERE = Path(__file__).parent
SAMPLE = HERE.parents[1] / "samples" / "bench.jpg"


def main() -> None:
    """Write seen-flat.jpg and rims.jpg beside this file."""
    photo = read_photo(SAMPLE)
    references = find_references(photo, MeasureRequest())
    plane, references, _ = fit_agreeing(
        references, width_px=photo.width_px, height_px=photo.height_px, focal_px=photo.focal_px
    )
    camera = plane.camera
    found = find_line(photo, camera, outlines_px(references))
    assert found is not None
    flat = flatten(photo, camera)
    grey = cv2.normalize(flat.log_light, None, 0, 255, cv2.NORM_MINMAX).astype(np.uint8)
    picture = cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR)
    for x, y in flat.to_flat_px(spot(flat).xy_mm):
        cv2.circle(picture, (round(x), round(y)), 5, (60, 160, 255), 1, cv2.LINE_AA)
    line = flat.to_flat_px(camera.to_mm(found.xy_px))
    cv2.polylines(picture, [np.rint(line).astype(np.int32)], True, (80, 220, 80), 2, cv2.LINE_AA)
    lo = np.maximum(line.min(axis=0) - 70, 0).astype(int)
    hi = (line.max(axis=0) + 70).astype(int)
    crop = picture[lo[1] : hi[1], lo[0] : hi[0]]
    cv2.imwrite(str(HERE / "seen-flat.jpg"), crop, [cv2.IMWRITE_JPEG_QUALITY, 85])

    readings = gauge_all(photo, camera, found.xy_px[~found.hidden], found.rough_diameter_mm)
    tiles = []
    for k in np.linspace(0, len(readings) - 1, 10).astype(int):
        r = readings[k]
        rim = r.rim_px[np.isfinite(r.rim_px[:, 0])]
        reach = 2.2 * float(np.median(np.hypot(*(rim - [r.x_px, r.y_px]).T)))
        zoom = 110 / reach
        shift = np.array([[zoom, 0, 110 - zoom * r.x_px], [0, zoom, 110 - zoom * r.y_px]])
        tile = cv2.warpAffine(photo.bgr, shift, (220, 220), flags=cv2.INTER_CUBIC)
        for x, y in rim:
            at = (round((x - r.x_px) * zoom + 110), round((y - r.y_px) * zoom + 110))
            cv2.circle(tile, at, 2, (255, 255, 255), -1, cv2.LINE_AA)
            cv2.circle(tile, at, 1, (200, 60, 0), -1, cv2.LINE_AA)
        words = "blocked" if r.blocked_score >= 0.5 else f"{r.diameter_mm:.2f} mm"
        cv2.putText(tile, words, (8, 20), cv2.FONT_HERSHEY_SIMPLEX, 0.55, (255, 255, 255), 3, cv2.LINE_AA)
        cv2.putText(tile, words, (8, 20), cv2.FONT_HERSHEY_SIMPLEX, 0.55, (0, 0, 0), 1, cv2.LINE_AA)
        tiles.append(tile)
    sheet = np.vstack([np.hstack(tiles[:5]), np.hstack(tiles[5:])])
    cv2.imwrite(str(HERE / "rims.jpg"), sheet, [cv2.IMWRITE_JPEG_QUALITY, 88])


if __name__ == "__main__":
    main()
