"""Take stills for a test, and look at them."""

from __future__ import annotations

from pathlib import Path

from PIL import Image

from ingest.media.describe import describe
from ingest.media.facts import Described

X264 = ("-c:v", "libx264", "-preset", "veryfast")


def take(path: Path, count: int = 3, width: int = 640) -> Described:
    into = path.parent / "stills"
    described = describe(path, into, "s", count, width, lambda _: None)
    names = [f"s-{ordinal}.jpg" for ordinal in range(len(described.stills))]
    assert [still.path for still in described.stills] == names
    assert sorted(into.iterdir()) == [into / name for name in names], "nothing half-written is left"
    for still in described.stills:
        with Image.open(into / still.path) as image:
            assert (image.format, image.size) == ("JPEG", (still.width, still.height))
    return described


def open_still(path: Path, ordinal: int = 0) -> Image.Image:
    with Image.open(path.parent / "stills" / f"s-{ordinal}.jpg") as image:
        return image.convert("RGB")


def colour_at(image: Image.Image, x: float, y: float) -> tuple[int, ...]:
    pixel = image.getpixel((int(x * image.width), int(y * image.height)))
    assert isinstance(pixel, tuple)
    return tuple(pixel)


def is_near(colour: tuple[int, ...], wanted: tuple[int, ...], slack: int) -> bool:
    return all(abs(a - b) <= slack for a, b in zip(colour, wanted, strict=True))
