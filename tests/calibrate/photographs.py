"""Photographs that the package scikit-image ships inside itself, each CC0 or in the public domain.

What its documentation says of each: brick, grass, gravel and coffee are CC0; chelsea (a cat) is CC0; text and
rocket are in the public domain; retina is CC0; hubble is NASA's and free to use. None shows a person.
"""

from __future__ import annotations

import functools
import importlib.util
from pathlib import Path

import numpy as np
from PIL import Image

from ingest.measure.picture_plane import Plane

# The halves share no photograph: thresholds are chosen on one and reported on the other.
CHOOSING = ("coffee.png", "brick.png", "rocket.jpg", "gravel.png", "text.png")
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
