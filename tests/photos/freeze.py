"""Write down what the samples measure now: ``python tests/photos/freeze.py`` makes frozen.json anew.

Whoever runs it says in docs/CHANGELOG.md under "Numbers that moved" which number went from what to what, and why.
"""

import json
from pathlib import Path
from typing import Any

from holecount.measure import MeasureRequest, measure_photo
from holecount.measurement import Measurement
from holecount.photo import read_photo

FROZEN = Path(__file__).with_name("frozen.json")
SAMPLES = Path(__file__).parents[2] / "samples"


def figures(m: Measurement) -> dict[str, Any]:
    """What a caner goes by, and how the scale was got."""
    pitch, diameter, six = m.seat.pitch, m.seat.diameter, m.seat.six_inches
    return {
        "verdict": m.verdict,
        "shape": m.shape,
        "n_open": m.seat.n_open,
        "n_blocked": m.seat.n_blocked,
        "n_hidden": m.seat.n_hidden,
        "pitch_mm": round(pitch.mean_mm, 4) if pitch else None,
        "u_pitch_mm": round(pitch.u_mean_mm, 4) if pitch else None,
        "diameter_mm": round(diameter.mean_mm, 4) if diameter else None,
        "u_diameter_mm": round(diameter.u_mean_mm, 4) if diameter else None,
        "six_inches": [six.least, six.most],
        "references": [r.kind for r in m.scale.references] if m.scale else [],
    }


def measured() -> dict[str, dict[str, Any]]:
    """Figures of every sample by its name."""
    photos = sorted(SAMPLES.glob("*.jpg"))
    return {p.stem: figures(measure_photo(read_photo(p), MeasureRequest(), None)) for p in photos}


if __name__ == "__main__":
    FROZEN.write_text(json.dumps(measured(), indent=1) + "\n", encoding="utf-8")
    print(f"wrote {FROZEN}")
