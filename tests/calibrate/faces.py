"""A photograph of a face, set before others at known sizes.

scikit-image ships `astronaut.png`, a portrait by NASA, in the public domain (so its notes in
`skimage/data/_fetchers.py`, which name the source). The roots of the hair, under the fringe, and the chin
were marked by eye, by the canon that brows and nose part a face into thirds. No other face in the packages at
hand has as clear a licence: so whatever is scored here is scored on one face, seen from the front.
"""

from __future__ import annotations

import numpy as np
from PIL import Image

from ingest.measure.picture_plane import Plane
from tests.calibrate.optics import FRAME
from tests.calibrate.photographs import load

PORTRAIT = "astronaut.png"
FACE_ROWS = (57, 183)
"""Rows of the portrait: roots of the hair, chin."""
_FACE_MIDDLE = 223  # column
_SOFT = 0.06  # of the portrait's side: how softly it passes into the background


def place_face(
    background: Plane, share: float, random: np.random.Generator, lean: float = 0.0, mirrored: bool = False
) -> Plane:
    """`background` (270, 480) with the portrait before it, whose face has `share` of the frame's height.

    `lean`: degrees. The face stands somewhere in the upper half, all of it in the frame.
    """
    height, width = FRAME
    factor = share * height / (FACE_ROWS[1] - FACE_ROWS[0])
    side = round(512 * factor)
    portrait = Image.fromarray(load(PORTRAIT)).rotate(
        lean, Image.Resampling.BICUBIC, center=(_FACE_MIDDLE, 120)
    )
    soft = _mask()
    across = float(random.uniform(0.35, 0.65)) * width
    # Above the face there is a third of it, where the frame has room for that.
    top = max(0.02 * height, min(0.35 * share * height, (1 - share) * height / 2))
    corner = (round(across - _FACE_MIDDLE * factor), round(top - FACE_ROWS[0] * factor))
    whole, mask = Image.new("F", (width, height)), Image.new("F", (width, height))
    how = Image.Resampling.LANCZOS
    whole.paste(portrait.resize((side, side), how), corner)
    mask.paste(soft.resize((side, side), Image.Resampling.BILINEAR), corner)
    part = np.asarray(mask)
    made = background * (1 - part) + np.asarray(whole) * part
    return np.asarray(made[:, ::-1] if mirrored else made, np.float32)


def _mask() -> Image.Image:
    """1 inside the portrait, falling to 0 at its sides and top; its foot is cut, as by the frame."""
    place = np.arange(512) / 512
    ramp = np.clip(np.minimum(place, 1 - place) / _SOFT, 0, 1)
    down = np.clip(place / _SOFT, 0, 1)
    return Image.fromarray(np.outer(down, ramp).astype(np.float32))
