"""How a take was taken, where open standards carry it: lens, exposure, position, and capture rate.

Read from what MediaInfo reports under the names of SMPTE RDD 18 (acquisition metadata in MXF), of QuickTime
metadata keys (known by how they end, since who defined a key stands before that), and of Exif 2.32. Values
stay the text that the file has; what is plainly not set (a focal length of zero) is left out.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterable, Mapping
from decimal import Decimal, InvalidOperation
from fractions import Fraction
from typing import Any

from ingest.media.facts import Facts
from ingest.media.numbers import decimal, snapped_rate
from shared.capture import MOST_CAPTURE, STATED, SUGGESTED, Capture

_LONGEST = 120
_RDD_18 = "acquisition metadata (SMPTE RDD 18)"
_QUICKTIME = "QuickTime metadata"

# Group, name here, and the names under which the standards carry it, compared without case and signs.
# RDD 18 names change from picture to picture: MediaInfo gives the first picture's, which is what is kept.
_ACQUISITION: Mapping[str, tuple[str, str]] = {
    "lensattributesfirstframe": ("lens", "lens_model"),
    "lenszoomactualfocallengthfirstframe": ("lens", "focal_length"),
    "lenszoom35mmstillcameraequivalentfirstframe": ("lens", "focal_length_35mm"),
    "focuspositionfromimageplanefirstframe": ("lens", "focus_distance"),
    "irisfnumberfirstframe": ("exposure", "f_number"),
    "iristnumberfirstframe": ("exposure", "t_number"),
    "shutterspeedanglefirstframe": ("exposure", "shutter_angle"),
    "shutterspeedtimefirstframe": ("exposure", "exposure_time"),
    "isosensitivityfirstframe": ("exposure", "iso"),
    "exposureindexofphotometerfirstframe": ("exposure", "exposure_index"),
    "whitebalancefirstframe": ("exposure", "white_balance"),
}
_KEY_ENDINGS: tuple[tuple[str, str, str], ...] = (
    ("cameralensmodel", "lens", "lens_model"),
    ("lensmodel", "lens", "lens_model"),
    ("focallength35mmequivalent", "lens", "focal_length_35mm"),
    ("focallength", "lens", "focal_length"),
    ("fnumber", "exposure", "f_number"),
    ("exposuretime", "exposure", "exposure_time"),
    ("isospeed", "exposure", "iso"),
    ("whitebalance", "exposure", "white_balance"),
)
_LOCATIONS = ("locationiso6709", "xyz", "recordedlocation")
_CAPTURE_ENDINGS = (
    "capturefps",
    "captureframerate",
    "capturerate",
    "captureframeratefirstframe",
    "sensorfps",
)
_RATE_TEXT = re.compile(r"(\d{1,6}(?:\.\d{1,6})?|\d{1,9}/\d{1,9})\s*(?:p|i|fps)?", re.IGNORECASE)
# ISO 6709, Annex H: degrees, degrees and minutes, or degrees, minutes and seconds, told by their digits.
_ISO_6709 = re.compile(
    r"([+-])(\d{2}|\d{4}|\d{6})(\.\d{1,9})?([+-])(\d{3}|\d{5}|\d{7})(\.\d{1,9})?"
    r"([+-]\d{1,6}(?:\.\d{1,6})?)?(?:CRS[\w:]{1,20})?/?"
)


def taken_facts(declared: Mapping[str, str]) -> dict[str, Any]:
    """`lens`, `exposure`, `position` and `capture_rate`, as far as the declared words hold them."""
    folded = {fold_name(name): value for name, value in declared.items()}
    found: dict[str, dict[str, str]] = {}
    for name, value in folded.items():
        group, key, source = _named(name)
        text = _known(value)
        if group and text:
            found.setdefault(group, {"source": source}).setdefault(key, text)
    for name, value in folded.items():
        place = parse_iso_6709(value) if name.endswith(_LOCATIONS) else None
        if place is not None:
            found.setdefault("position", {**place, "source": f"{_QUICKTIME}, ISO 6709"})
    stated = capture_in(declared.items(), "")
    return {**found, **({} if stated is None else {"capture_rate": stated.to_json()})}


def capture_in(words: Iterable[tuple[str, str]], source: str) -> Capture | None:
    """The capture rate among names with their texts, the first that is one."""
    for name, text in words:
        folded = fold_name(name)
        rate = parse_rate(text) if folded.endswith(_CAPTURE_ENDINGS) else None
        if rate is not None:
            own = _RDD_18 if folded.endswith("firstframe") else f"metadata {name}"
            return Capture(rate, STATED, (f"{source} {name}" if source else own)[:_LONGEST])
    return None


def with_capture(facts: Facts, capture: Capture) -> Facts:
    return dataclasses.replace(facts, more={**facts.more, "capture_rate": capture.to_json()})


def suggested_by_stream(track: Mapping[str, Any], rate: Fraction | None) -> Capture | None:
    """The rate in the stream's own header, where the container plays its pictures markedly slower.

    Slowed when it was wrapped; no statement of how it was taken, so a suggestion. Twice is left out: a
    header that counts fields says twice the rate.
    """
    num, den = (track.get(f"FrameRate_Original_{part}") for part in ("Num", "Den"))
    own = parse_rate(f"{num}/{den}") if num and den else parse_rate(str(track.get("FrameRate_Original", "")))
    if own is None or rate is None or own / rate < Fraction(3, 2) or own == 2 * rate:
        return None
    return Capture(own, SUGGESTED, "header of the picture stream")


def parse_rate(text: str) -> Fraction | None:
    """A rate as "120", "119.88p", "100.000 fps" or "120000/1001"; a decimal is snapped to a rate in use."""
    match = _RATE_TEXT.fullmatch(text.strip())
    if match is None:
        return None
    word = match[1]
    if "/" in word:
        top, _, bottom = word.partition("/")
        rate = Fraction(int(top), int(bottom)) if int(bottom) else Fraction(0)
    else:
        rate = snapped_rate(word if "." in word else f"{word}.000") or Fraction(word)
    return rate if 0 < rate <= MOST_CAPTURE else None


def parse_iso_6709(text: str) -> dict[str, str] | None:
    """Degrees, north and east positive, and metres of height, as text. None: it is no such text."""
    match = _ISO_6709.fullmatch(text.strip())
    if match is None:
        return None
    latitude = _degrees(match[1], match[2], match[3], 2)
    longitude = _degrees(match[4], match[5], match[6], 3)
    return position(latitude, longitude, None if match[7] is None else Fraction(match[7]))


def position(latitude: Fraction, longitude: Fraction, height: Fraction | None) -> dict[str, str] | None:
    """A position as text to a ten-millionth of a degree (a centimetre); None where there is no such place."""
    if abs(latitude) > 90 or abs(longitude) > 180 or (latitude == 0 and longitude == 0):
        return None  # 0, 0 is what a receiver writes that has no position (common practice, no source)
    place = {"latitude": _decimal_text(latitude), "longitude": _decimal_text(longitude)}
    return place if height is None else {**place, "altitude_m": _decimal_text(height)}


def fold_name(name: str) -> str:
    return re.sub(r"[^a-z0-9]", "", name.lower())


def _named(name: str) -> tuple[str, str, str]:
    if name in _ACQUISITION:
        return (*_ACQUISITION[name], _RDD_18)
    for ending, group, key in _KEY_ENDINGS:
        if name.endswith(ending):
            return group, key, _QUICKTIME
    return "", "", ""


def _known(value: str) -> str | None:
    """The text, without needless zeros; None for a number that is zero."""
    text = value.strip()[:_LONGEST]
    number = decimal(text)
    if number is None:
        return text or None
    return _decimal_text(number) if number else None


def _decimal_text(number: Fraction) -> str:
    try:
        value = (Decimal(number.numerator) / Decimal(number.denominator)).quantize(Decimal("1e-7"))
    except InvalidOperation:
        return str(number)
    text = f"{value:f}".rstrip("0").rstrip(".")
    return text if text not in ("-0", "") else "0"


def _degrees(sign: str, digits: str, decimals: str | None, width: int) -> Fraction:
    parts = [digits[:width], *(digits[at : at + 2] for at in range(width, len(digits), 2))]
    parts[-1] += decimals or ""
    value = sum((Fraction(part) / 60**place for place, part in enumerate(parts)), Fraction(0))
    return -value if sign == "-" else value
