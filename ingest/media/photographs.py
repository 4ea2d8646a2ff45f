"""Still pictures: a small upright JPEG of a photograph, and what its Exif says. Runs in the child process."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Mapping
from fractions import Fraction
from typing import Any, BinaryIO

import numpy as np
from PIL import ExifTags, Image, ImageOps, UnidentifiedImageError

from ingest.media.facts import TEXT_LIMITS, Facts
from ingest.media.opened import MAX_PIXELS
from ingest.media.stamps import LOCAL, STATED
from ingest.media.taken import position
from shared.errors import MediaError

_FORMATS = ("JPEG", "PNG", "TIFF", "WEBP", "AVIF")
# Exif 2.32, 4.6.4 A: orientation, as the clockwise turn that shows the picture upright.
_TURNS = {1: 0, 3: 180, 6: 90, 8: 270}
# Exif 2.32 tags that describe how a picture was taken.
_TAKEN_WITH: Mapping[str, tuple[str, str]] = {
    "LensModel": ("lens", "lens_model"),
    "LensMake": ("lens", "lens_make"),
    "FocalLength": ("lens", "focal_length"),
    "FocalLengthIn35mmFilm": ("lens", "focal_length_35mm"),
    "FNumber": ("exposure", "f_number"),
    "ExposureTime": ("exposure", "exposure_time"),
    "ISOSpeedRatings": ("exposure", "iso"),  # named PhotographicSensitivity since Exif 2.3
}
_EXIF_STAMP = re.compile(r"\d{4}:\d{2}:\d{2} \d{2}:\d{2}:\d{2}")

Image.MAX_IMAGE_PIXELS = None  # the cap below is ours, and an error rather than a warning
Image.init()  # all readers now: later, no file can be opened


def take_photograph(file: BinaryIO, width: int) -> Image.Image:
    """The picture in RGB, upright, at most `width` pixels wide. Raises MediaError when it can't be read."""
    try:
        with Image.open(file, formats=_FORMATS) as image:
            _check_size(image)
            image.draft("RGB", (width * 2, width * 2))  # a JPEG can be decoded at a fraction of its size
            picture = _eight_bit(ImageOps.exif_transpose(image))
            height = max(1, round(picture.height * min(1.0, width / picture.width)))
            return picture.resize((min(width, picture.width), height), Image.Resampling.BOX, reducing_gap=2)
    except UnidentifiedImageError:
        raise MediaError("is a picture in a format that can't be shown here") from None
    except (OSError, ValueError, SyntaxError, KeyError, OverflowError, TypeError) as error:
        raise MediaError(f"can't be shown: {error}") from error


def exif_facts(file: BinaryIO, facts: Facts) -> Facts:
    """`facts` with the size, turn, stamp and taking of a photograph, where its Exif states them."""
    try:
        with Image.open(file, formats=_FORMATS) as image:
            size, exif = image.size, image.getexif()
            inner, where = exif.get_ifd(ExifTags.IFD.Exif), exif.get_ifd(ExifTags.IFD.GPSInfo)
    except (OSError, ValueError, SyntaxError, KeyError, OverflowError, TypeError):
        return facts  # the still says what is wrong with it
    found: dict[str, Any] = {
        "width": facts.width or size[0],
        "height": facts.height or size[1],
        "rotation": _TURNS.get(exif.get(ExifTags.Base.Orientation, 1)),
    }
    stamp = inner.get(ExifTags.Base.DateTimeOriginal)
    if isinstance(stamp, str) and _EXIF_STAMP.fullmatch(stamp) and not stamp.startswith("0000"):
        offset = inner.get(ExifTags.Base.OffsetTimeOriginal)
        stated = isinstance(offset, str) and re.fullmatch(r"[+-]\d{2}:\d{2}", offset)
        found["recorded_raw"] = f"{stamp}{offset}" if stated else stamp
        found["recorded_field"] = "Exif DateTimeOriginal"
        found["recorded_zone"] = STATED if stated else LOCAL
    named = {name: _plain(inner.get(ExifTags.Base[name])) for name in _TAKEN_WITH}
    taken_with = {name: value for name, value in named.items() if value}
    more = {**facts.more, **_groups(taken_with)}
    if taken_with:
        more["exif"] = taken_with
    place = _position(where)
    if place is not None:
        more["position"] = {**place, "source": "Exif GPS"}
    return dataclasses.replace(facts, **found, more=more)


def _groups(taken_with: Mapping[str, str]) -> dict[str, dict[str, str]]:
    """Lens and exposure under the names that other files' have, see ingest/media/taken.py."""
    groups: dict[str, dict[str, str]] = {}
    for name, (group, key) in _TAKEN_WITH.items():
        value = taken_with.get(name)
        if group and value is not None and value != "0":
            groups.setdefault(group, {"source": "Exif"})[key] = value
    return groups


def _position(where: Mapping[int, Any]) -> dict[str, str] | None:
    """Exif 2.32, 4.6.6: degrees, minutes and seconds, with the hemisphere beside them; height above sea."""
    try:
        latitude = _angle(where[ExifTags.GPS.GPSLatitude], where[ExifTags.GPS.GPSLatitudeRef] == "S")
        longitude = _angle(where[ExifTags.GPS.GPSLongitude], where[ExifTags.GPS.GPSLongitudeRef] == "W")
    except (KeyError, TypeError, ValueError, OverflowError, ZeroDivisionError):
        return None
    try:
        height = Fraction(where[ExifTags.GPS.GPSAltitude]).limit_denominator(1000)
    except (KeyError, TypeError, ValueError, OverflowError, ZeroDivisionError):
        height = None
    below = where.get(ExifTags.GPS.GPSAltitudeRef) in (b"\x01", 1)
    return position(latitude, longitude, -height if height is not None and below else height)


def _angle(parts: Any, negative: bool) -> Fraction:
    degrees, minutes, seconds = (Fraction(part).limit_denominator(10**7) for part in parts)
    angle = degrees + minutes / 60 + seconds / 3600
    return -angle if negative else angle


def _check_size(image: Image.Image) -> None:
    if image.width * image.height > MAX_PIXELS:
        raise MediaError(f"claims {image.width} × {image.height} pixels, more than are decoded here")


def _eight_bit(image: Image.Image) -> Image.Image:
    if image.mode.startswith("I;16") or image.mode == "I":  # Pillow would clip these at 255
        values = np.asarray(image).astype(np.uint32)
        return Image.fromarray((values >> 8).clip(0, 255).astype(np.uint8)).convert("RGB")
    return image.convert("RGB")


def _plain(value: Any) -> str | None:
    """An Exif value as text: a rational as the fraction it is."""
    if isinstance(value, str):
        return (
            value.replace("\0", "")
            .encode("utf-8", "replace")
            .decode("utf-8")
            .strip()[: TEXT_LIMITS["recorded_raw"]]
            or None
        )
    if isinstance(value, int):
        return str(value)
    try:  # Pillow gives some rationals as floats; those of Exif have small terms
        return str(Fraction(value).limit_denominator(1_000_000))
    except (TypeError, ValueError, OverflowError, ZeroDivisionError):
        return None
