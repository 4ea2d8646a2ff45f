"""Photographs that the package scikit-image ships inside itself, each CC0 or in the public domain.

What the notes in its `skimage/data/_fetchers.py` say of each: brick, grass and gravel are CC0 (CC0 Textures);
coffee, chelsea (a cat) and retina are CC0 by their photographers; text and clock_motion are in the public
domain; hubble_deep_field was taken by NASA and may be used freely. None shows a person or a brand. Others in
the package are left out: their notes say less, or they show people or a company's product.
"""

from __future__ import annotations

import functools
import importlib.util
from pathlib import Path

import numpy as np
from PIL import Image

from ingest.measure.picture_plane import Plane

# The halves share no photograph: thresholds are chosen on one and reported on the other.
CHOOSING = ("coffee.png", "brick.png", "clock_motion.png", "gravel.png", "text.png")
REPORTING = ("chelsea.png", "grass.png", "retina.jpg", "hubble_deep_field.jpg")


def photograph_folder() -> Path | None:
    """Where the photographs lie; None where scikit-image is not installed."""
    spec = importlib.util.find_spec("skimage")
    if spec is None or not spec.submodule_search_locations:
        return None
    return Path(next(iter(spec.submodule_search_locations))) / "data"


@functools.cache
def load(name: str) -> Plane:
    """Luma of one photograph, (height, width), codes 0 to 255 (ITU-R BT.601 weights, as Pillow has them)."""
    folder = photograph_folder()
    if folder is None:
        raise FileNotFoundError("the photographs come with scikit-image: pip install scikit-image")
    with Image.open(folder / name) as image:
        grey = image.convert("L")
        # The retina has 1411 lines and no detail in the finest of them.
        return np.asarray(grey.reduce(3) if grey.height > 1200 else grey, np.float32)
