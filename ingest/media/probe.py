"""Read what a media file says of itself, with MediaInfo. Runs in the child process."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Mapping, Sequence
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Any, BinaryIO

from pymediainfo import MediaInfo

from ingest.media.facts import FAULT, TEXT_LIMITS, Facts, Noticed
from ingest.media.labels import start_of
from ingest.media.limits import no_new_files, open_media
from ingest.media.numbers import LARGEST, decimal, exact_rate, positive, snapped_shape, whole
from ingest.media.sniff import container_of
from ingest.media.stamps import recorded
from ingest.media.taken import suggested_by_stream, taken_facts
from shared.errors import MediaError

Track = Mapping[str, Any]

_DECLARED_FIELDS = (
    *("Title", "Description", "Comment", "Copyright", "Producer", "Performer", "Recorded_Location"),
    *("Encoded_Hardware", "Encoded_Hardware_CompanyName", "Encoded_Hardware_Name", "Encoded_Hardware_Model"),
    *("Encoded_Application", "Encoded_Application_CompanyName", "Encoded_Application_Name"),
)
# Notes of the parser on itself, not statements of the file.
_PARSER_NOTES = re.compile(
    r"IsTruncated|ConformanceErrors|CodecConfigurationBox|OverallBitRate.*|.*_Source|Delay_.*|TimeCode_.*"
    r"|(?:En|Tag)coded_Date|Tagged_Date|pointer_field|section_length|Source_Delay.*|intra_dc_precision|bext_.*"
    r"|\w+_(?:Values|FrameCounts)|\w+_FirstFrame_String"  # RDD 18: the first picture's plain value is kept
)
_MOST_READS = 20_000  # of 64 KiB; an undamaged file needs some dozens
_WORDS_COUNT, _DECLARED_COUNT, _DECLARED_LENGTH = 1000, 100, 300
_EXPECTED_SIZE = re.compile(r"File size [0-9]+ is less than expected size (?:at least )?([0-9]{1,20})")


def read_facts(path: Path) -> tuple[Facts, list[Noticed]]:
    """What the file at `path` says of itself, and what is wrong with that.

    Raises MediaError when it can't be opened, holds no container on the list, or MediaInfo fails on it.
    """
    with open_media(path) as file:
        return facts_of(file)


def facts_of(file: BinaryIO) -> tuple[Facts, list[Noticed]]:
    """Like `read_facts`, of a file opened already. No other file is opened meanwhile."""
    container_of(file)
    load_parser()
    with no_new_files():
        general, tracks = _report(file)
    return _translate(general, tracks)


@lru_cache(maxsize=1)
def load_parser() -> None:
    """Load MediaInfo's library, which can't be done once no file may be opened. Raises MediaError."""
    if not MediaInfo.can_parse():
        raise MediaError("MediaInfo's library can't be loaded", remedy="Install pymediainfo again.")


def _report(file: BinaryIO) -> tuple[Track, list[Track]]:
    try:  # RecursionError is a RuntimeError
        # By its buffer, so that nothing is derived from the file's name or its neighbours.
        counted = _CountedReads(file)
        text = MediaInfo.parse(counted, output="JSON", full=False, buffer_size=_buffer_size(file))
        found = (_clean(json.loads(text, strict=False)).get("media") or {}).get("track") or []
    except (RuntimeError, ValueError, AttributeError) as error:
        raise MediaError(f"MediaInfo can't report on it: {error}") from error
    tracks: list[Track] = [track for track in found if isinstance(track, dict)]
    general: Track = next((track for track in tracks if track.get("@type") == "General"), {})
    return general, [track for track in tracks if track.get("@type") in ("Video", "Audio", "Image", "Other")]


class _CountedReads:
    """A file that MediaInfo reads; a damaged one can send it to and fro for ever. Raises ValueError then."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._left = _MOST_READS
        self.seek, self.tell = file.seek, file.tell

    def read(self, size: int) -> bytes:
        self._left -= 1
        if self._left < 0:
            raise ValueError("it reads the file over and over")
        return self._file.read(size)


def _buffer_size(file: BinaryIO) -> int:
    """MediaInfo turns back for a timecode only while a buffer is still to come: so never all in one.

    A power of two: with odd sizes version 24.12 was seen to hang on cut transport streams.
    """
    size = os.fstat(file.fileno()).st_size
    return next((buffer for buffer in (65_536, 16_384, 4096) if size > 2 * buffer), 1024)


def _translate(general: Track, tracks: Sequence[Track]) -> tuple[Facts, list[Noticed]]:
    # A picture file is an "Image", save that some formats of pictures are reported as video.
    picture: Track = next((track for track in tracks if track["@type"] in ("Video", "Image")), {})
    sound = [track for track in tracks if track["@type"] == "Audio"]
    rate = None if picture.get("FrameRate_Mode") == "VFR" else exact_rate(picture)
    start, noticed = start_of(tracks, general, rate)
    stamp, unset = recorded(general, tracks)
    values: dict[str, Any] = {
        "container": _text("container", general.get("Format")),
        **_picture_facts(picture, rate),
        **_sound_facts(sound),
    }
    if start is not None:
        values |= {
            "start_timecode": start.label.text,
            "start_frame": start.frame,
            "drop_frame": start.label.drop_frame,
            "timecode_source": start.label.place,
        }
    if stamp is not None:
        values |= {"recorded_raw": stamp.raw, "recorded_field": stamp.field, "recorded_zone": stamp.zone}
    more = _more(general, tracks, picture, sound)
    if start is not None and start.label.rate not in (None, rate):
        more["timecode_rate"] = str(start.label.rate)
    if start is not None and start.counts is not None:
        more["timecode_counts"] = start.counts
    return Facts(**values, more=more), [*noticed, *unset, *_truncation(general)]


def _picture_facts(track: Track, rate: Fraction | None) -> dict[str, Any]:
    shape = snapped_shape(track.get("PixelAspectRatio"))
    turn = whole(track.get("Rotation"))
    mode = {"CFR": "constant", "VFR": "variable"}.get(str(track.get("FrameRate_Mode")))
    return {
        "video_codec": _text("video_codec", track.get("Format")),
        "width": positive(track.get("Width")),
        "height": positive(track.get("Height")),
        "rotation": None if turn is None else turn % 360,
        "pixel_aspect": None if shape is None else f"{shape.numerator}/{shape.denominator}",
        "rate_num": None if rate is None else rate.numerator,
        "rate_den": None if rate is None else rate.denominator,
        "rate_mode": mode,
        "frames": positive(track.get("FrameCount")),
        "bit_depth": positive(track.get("BitDepth")),
        "chroma": _text("chroma", track.get("ChromaSubsampling")),
        "colour_primaries": _text("colour_primaries", track.get("colour_primaries")),
        "transfer": _text("transfer", track.get("transfer_characteristics")),
        "matrix": _text("matrix", track.get("matrix_coefficients")),
        "colour_range": _text("colour_range", track.get("colour_range")),
        "scan": _text("scan", track.get("ScanType")),
    }


def _sound_facts(tracks: Sequence[Track]) -> dict[str, Any]:
    if not tracks:
        return {}
    channels = [positive(track.get("Channels")) for track in tracks]
    first = tracks[0]
    return {
        "audio_codec": _text("audio_codec", first.get("Format")),
        "audio_channels": sum(n for n in channels if n) if all(channels) else None,
        "audio_tracks": len(tracks),
        "audio_rate": positive(first.get("SamplingRate")),
        "audio_bits": positive(first.get("BitDepth")),
        "samples": positive(first.get("SamplingCount")),
    }


def _more(general: Track, tracks: Sequence[Track], picture: Track, sound: Sequence[Track]) -> dict[str, Any]:
    more: dict[str, Any] = {}
    for name, track, field in (
        ("container_profile", general, "Format_Profile"),
        ("container_settings", general, "Format_Settings"),
        ("video_profile", picture, "Format_Profile"),
        ("scan_order", picture, "ScanOrder"),
        ("hdr_format", picture, "HDR_Format"),
    ):
        text = _clip(track.get(field))
        if text:
            more[name] = text
    reference = _time_reference(sound)
    if reference is not None:
        more["time_reference_samples"] = reference
    words = _words(general, tracks)
    more |= taken_facts(words)
    suggested = suggested_by_stream(picture, exact_rate(picture))
    if suggested is not None:
        more.setdefault("capture_rate", suggested.to_json())
    declared = dict(sorted(words.items())[:_DECLARED_COUNT])
    return {**more, "declared": declared} if declared else more


def _time_reference(sound: Sequence[Track]) -> int | None:
    """Samples since midnight, from `bext` (EBU Tech 3285), which the report gives in seconds to 1e-9."""
    for track in sound:
        delay, rate = track.get("Delay"), positive(track.get("SamplingRate"))
        seconds = decimal(delay) if "bext" in str(track.get("Delay_Source")) else None
        if rate and seconds is not None:
            return round(seconds * rate)
    return None


def _words(general: Track, tracks: Sequence[Track]) -> dict[str, str]:
    """What the file says in words: lens, camera, scene, whatever MediaInfo exposes. Each is bounded."""
    found = {name: general[name] for name in _DECLARED_FIELDS if name in general}
    for track in (general, *tracks):
        extra = track.get("extra")
        if isinstance(extra, dict):
            found = {**{k: v for k, v in extra.items() if not _PARSER_NOTES.fullmatch(k)}, **found}
    clipped = ((_clip(name), _clip(value)) for name, value in sorted(found.items())[:_WORDS_COUNT])
    return {name: value for name, value in clipped if name and value}


def _truncation(general: Track) -> list[Noticed]:
    extra = general.get("extra")
    if not isinstance(extra, dict) or extra.get("IsTruncated") != "Yes":
        return []
    size = positive(general.get("FileSize")) or 0
    expected = _EXPECTED_SIZE.search(json.dumps(extra.get("ConformanceErrors")))
    missing = max(0, int(expected[1]) - size) if expected else 0
    missing = missing if missing < LARGEST else 0  # a header that claims exabytes is damaged itself
    said = f": {missing} of {size + missing} bytes are missing" if missing else ""
    return [
        Noticed(
            "file-truncated",
            FAULT,
            f"The file ends before its own header says it does{said}. Keep it and have it repaired.",
            value=missing or None,
            unit="bytes" if missing else "",
            rule="A recording that was not closed lacks its end or its index.",
        )
    ]


def _text(field: str, value: Any) -> str | None:
    text = _clip(value)
    return text[: TEXT_LIMITS[field]] if text else None


def _clip(value: Any) -> str | None:
    if not isinstance(value, str) or not value.strip():
        return None
    return value.strip()[:_DECLARED_LENGTH] or None


def _clean(value: Any) -> Any:
    """The report without what no database takes: NUL, and surrogates that stand alone."""
    if isinstance(value, str):
        return value.replace("\0", "").encode("utf-8", "replace").decode("utf-8")
    if isinstance(value, dict):
        return {_clean(name): _clean(one) for name, one in value.items()}
    return [_clean(one) for one in value] if isinstance(value, list) else value
