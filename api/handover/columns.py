"""The columns of the shot log, in the order in which they stand. Unknown is an empty cell, never a guess."""

from __future__ import annotations

import datetime as dt
import os
import re
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from api.handover.cells import Value
from api.handover.places import Place, path_below
from api.handover.release_columns import say_rights, say_status
from api.handover.shots import Handover, Shot
from api.handover.sound_columns import say_channels, say_pairs, say_people
from api.handover.text import file_name, round_ms
from shared.capture import SUGGESTED
from shared.catalogue.clip_rows import range_text
from shared.clock_words import tell_span
from shared.errors import UsageError
from shared.models import ClipMedia, CopyState, Finding, TakeFacts
from shared.names import display

# Names under which files give what the facts have no column for; compared without case and signs.
_NAMED: Mapping[str, tuple[str, ...]] = {
    "lens": ("lens", "lensmodel", "lensname", "lenstype"),
    "focal": ("focallength", "focallengthmm", "focal", "lensfocallength"),
    "t_stop": ("tstop", "tnumber", "lenststop", "fnumber", "fstop", "aperture", "iris"),
    "iso": ("iso", "isospeed", "isovalue", "ei", "exposureindex", "photographicsensitivity"),
    "white_balance": ("whitebalance", "wb", "colourtemperature", "colortemperature", "cct"),
    "shutter": ("shutter", "shutterspeed", "shutterangle", "exposuretime", "shuttertime"),
    "curve": ("colourcurve", "gamma", "gammacurve", "capturegamma", "logcurve"),
    "lut": ("lut", "lutname", "look", "lookname", "cdl"),
    "capture_rate": ("capturerate", "capturefps", "captureframerate", "sensorfps"),
}


@dataclass(frozen=True, slots=True)
class Line:
    """What one row is made from."""

    handover: Handover
    shot: Shot
    places: Mapping[int, Place]


@dataclass(frozen=True, slots=True)
class Column:
    """`key` names it in the JSON twin, `title` in the CSV header."""

    key: str
    title: str
    of: Callable[[Line], Value]


def stated(facts: TakeFacts | None, name: str) -> str | None:
    """Something a file states under one of its usual names, such as "iso" or "shutter"."""
    if facts is None:
        return None
    grouped = (facts.more.get(key) for key in ("lens", "exposure", "declared"))
    for found in (facts.more, *(group for group in grouped if isinstance(group, dict))):
        folded = {re.sub(r"[^a-z0-9]", "", str(key).lower()): value for key, value in found.items()}
        for key in _NAMED[name]:
            value: Any = folded.get(key)
            if isinstance(value, str | int | float) and not isinstance(value, bool) and str(value).strip():
                return str(value)
    return None


def label(line: Line, field: str) -> str | None:
    """The vocabulary's label for what was logged; a code it no longer has stays as it is."""
    code = _logged(line, field)
    if code is None:
        return None
    try:
        return line.handover.vocabulary.resolve(field, code).label
    except UsageError:
        return code


def _logged(line: Line, field: str) -> str | None:
    entry = line.shot.entry
    return (getattr(entry, field) or None) if entry is not None else None


def _log_column(field: str, title: str | None = None) -> Column:
    return Column(field, title or field.replace("_", " "), lambda line: _logged(line, field))


def _fact_column(key: str, title: str, name: str) -> Column:
    return Column(key, title, lambda line: getattr(line.shot.facts, name, None))


def _stated_column(key: str, title: str) -> Column:
    return Column(key, title, lambda line: stated(line.shot.facts, key))


def _empty(_line: Line) -> Value:
    """A column that is kept for what the catalogue does not hold yet."""
    return None


def _transcript(line: Line) -> Value:
    """The file with its words, below the hand-over."""
    speech = line.handover.speech.get(line.shot.clip.id)
    return speech.name if speech is not None else None


def _day(line: Line) -> Value:
    return line.shot.clip.day.number if line.shot.clip.day else None


def _date(line: Line) -> Value:
    """The shooting day's date; a clip of no day has the date of its own time."""
    clip = line.shot.clip
    if clip.day is not None:
        return clip.day.date.isoformat()
    return clip.shot_at.astimezone(line.handover.zone).date().isoformat() if clip.shot_at else None


def _shot_at(line: Line) -> Value:
    at = line.shot.clip.shot_at
    return at.astimezone(line.handover.zone).isoformat(timespec="seconds") if at else None


def _camera(line: Line) -> Value:
    return line.shot.clip.camera.letter if line.shot.clip.camera else None


def _camera_name(line: Line) -> Value:
    return (line.shot.clip.camera.name or None) if line.shot.clip.camera else None


def _file_name(line: Line) -> Value:
    return file_name(line.shot.parts[0].file) if line.shot.parts else None


def _all_file_names(line: Line) -> Value:
    """Only where there is more to say than the file name does."""
    names = tuple(file_name(part.file) for part in line.shot.parts)
    return names if len(names) > 1 else None


def _tc_in(line: Line) -> Value:
    return str(tc) if (tc := line.shot.timing.tc_in) is not None else None


def _tc_out(line: Line) -> Value:
    return str(tc) if (tc := line.shot.timing.tc_out) is not None else None


def _length(line: Line) -> Value:
    return str(tc) if (tc := line.shot.timing.length) is not None else None


def _seconds(line: Line) -> Value:
    seconds = line.shot.timing.seconds
    return None if seconds is None else Decimal(round_ms(seconds))


def _real_seconds(line: Line) -> Value:
    """How long the taking took: in slow motion less than it plays."""
    seconds = line.shot.clip.real_seconds
    return None if seconds is None else Decimal(round_ms(seconds))


def _capture_rate(line: Line) -> Value:
    """The rate at which it was taken; what only the files' times suggest is marked so."""
    clip = line.shot.clip
    if clip.capture_rate is None:
        return stated(line.shot.facts, "capture_rate")
    return f"{clip.capture_rate}" + (" (suggested)" if clip.capture_certainty == SUGGESTED else "")


def _rate_mode(line: Line) -> Value:
    return line.shot.facts.rate_mode if line.shot.facts else None


def _size(line: Line) -> Value:
    facts = line.shot.facts
    return f"{facts.width}x{facts.height}" if facts and facts.width and facts.height else None


def _curve(line: Line) -> Value:
    facts = line.shot.facts
    return stated(facts, "curve") or (facts.transfer if facts else None)


def _lens(line: Line) -> Value:
    """A lens that a person or the file names, else the camera's usual one, marked as assumed."""
    clip = line.shot.clip
    if clip.lens is None:
        return stated(line.shot.facts, "lens")
    return f"{clip.lens.name} (assumed)" if clip.lens_assumed else clip.lens.name


def _focal(line: Line) -> Value:
    """What the file says, else that of a fixed lens of the kit list, marked as assumed."""
    lens = line.shot.clip.lens
    found = stated(line.shot.facts, "focal")
    if found is not None or lens is None or not lens.focal_min_mm or lens.focal_min_mm != lens.focal_max_mm:
        return found
    return f"{lens.focal_min_mm} (assumed, by the kit list)"


def _counts(line: Line) -> Value:
    """What the last field of the file's own timecode counts, from 48 pictures a second on."""
    said = line.shot.facts.more.get("timecode_counts") if line.shot.facts else None
    return said if isinstance(said, str) else None


def _read_as(line: Line) -> Value:
    """By which rule the stamp was read, and what was added to it, so that the time can be made anew."""
    clip = line.shot.clip
    correction = dt.timedelta(milliseconds=clip.shot_correction_ms)
    return (clip.shot_read_as + (f", corrected by {tell_span(correction)}" if correction else "")) or None


def _tags(line: Line) -> Value:
    return tuple(tag.name for tag in line.shot.entry.tags) or None if line.shot.entry else None


def _samples(line: Line) -> Value:
    return line.shot.clip.frames if line.shot.clip.media is ClipMedia.AUDIO else None


def _start_sample(line: Line) -> Value:
    shot = line.shot
    return shot.parts[0].start if shot.parts and shot.clip.media is ClipMedia.AUDIO else None


def _findings(line: Line) -> Value:
    return tuple(_say_finding(line, one) for one in line.shot.findings) or None


def _say_finding(line: Line, one: Finding) -> str:
    """Severity, interval, number and what was noticed."""
    place = range_text(line.shot.clip, one.in_frame, one.out_frame)
    number = "" if one.value is None else f" [{one.value:.6g} {one.unit}]".replace(" ]", "]")
    return f"{one.severity.value}{', ' if place else ''}{place}: {one.message}{number}"


def _algorithm(line: Line) -> Value:
    part = line.shot.parts[0] if line.shot.parts else None
    return part.file.algorithm if part is not None and part.file.digest else None


def _digest(line: Line) -> Value:
    return line.shot.parts[0].file.digest if line.shot.parts else None


def _all_digests(line: Line) -> Value:
    digests = tuple(part.file.digest or "none" for part in line.shot.parts)
    return digests if len(digests) > 1 else None


def _path(line: Line) -> Value:
    if not line.shot.parts:
        return None
    return display(path_below(line.shot.clip.reel, line.shot.parts[0].file))


def _all_paths(line: Line) -> Value:
    reel = line.shot.clip.reel
    paths = tuple(display(path_below(reel, part.file)) for part in line.shot.parts)
    return paths if len(paths) > 1 else None


def copy_states(line: Line) -> Iterator[tuple[str, str]]:
    """Each destination's name with the state of the clip's files there: "verified 3, differs 1"."""
    files = [row.file for row in line.shot.clip.files]
    for place in line.places.values():
        states = Counter(
            copy.state.value for file in files for copy in file.copies if copy.destination_id == place.id
        )
        if states:
            absent = len(files) - states.total()
            counted = [*states.items(), *([("none", absent)] if absent else [])]
            said = [state if len(counted) == 1 else f"{state} {number}" for state, number in counted]
            yield display(os.fsencode(place.name)), ", ".join(said)


def verified_places(shot: Shot) -> set[int]:
    """The destinations, by id, at which every file of the clip has been verified."""
    verified = [
        {copy.destination_id for copy in row.file.copies if copy.state is CopyState.VERIFIED}
        for row in shot.clip.files
    ]
    return set.intersection(*verified) if verified else set()


def _copies(line: Line) -> Value:
    return tuple(f"{name}: {states}" for name, states in copy_states(line)) or None


COLUMNS: tuple[Column, ...] = (
    Column("project", "project", lambda line: line.handover.production.name),
    Column("day", "day", _day),
    Column("date", "date", _date),
    Column("zone", "zone", lambda line: line.handover.production.zone),
    Column("shot_at", "shot at", _shot_at),
    Column("shot_at_certainty", "shot at certainty", lambda line: line.shot.clip.shot_certainty),
    _fact_column("stamp", "stamp", "recorded_raw"),
    Column("stamp_source", "stamp from", lambda line: line.shot.clip.shot_source or None),
    Column("stamp_read_as", "stamp read as", _read_as),
    Column("camera", "camera", _camera),
    Column("camera_name", "camera name", _camera_name),
    Column("reel", "reel", lambda line: line.shot.clip.reel.name),
    Column("file_name", "file name", _file_name),
    Column("all_file_names", "all file names", _all_file_names),
    Column("clip_id", "clip id", lambda line: line.shot.clip.id),
    Column("media", "media", lambda line: line.shot.clip.media.value),
    Column("tc_in", "tc in", _tc_in),
    Column("tc_out", "tc out (exclusive)", _tc_out),
    Column("duration_tc", "duration tc", _length),
    Column("duration_frames", "duration frames", lambda line: line.shot.timing.frames),
    Column("duration_seconds", "duration seconds", _seconds),
    Column("start_frame", "start frame", lambda line: line.shot.timing.start),
    _fact_column("timecode_source", "timecode from", "timecode_source"),
    Column("timecode_counts", "timecode of the file counts", _counts),
    Column("frame_rate", "frame rate", lambda line: line.shot.timing.rate_text or None),
    Column("rate_mode", "rate mode", _rate_mode),
    Column("capture_rate", "capture rate", _capture_rate),
    Column("real_seconds", "real seconds", _real_seconds),
    Column("size", "size", _size),
    _fact_column("rotation", "rotation", "rotation"),
    _fact_column("codec", "codec", "video_codec"),
    _fact_column("bit_depth", "bit depth", "bit_depth"),
    _fact_column("chroma", "chroma", "chroma"),
    Column("curve", "colour curve", _curve),
    _stated_column("lut", "lut"),
    _fact_column("primaries", "colour primaries", "colour_primaries"),
    Column("lens", "lens", _lens),
    Column("focal", "focal length", _focal),
    _stated_column("t_stop", "t-stop"),
    _stated_column("iso", "iso"),
    _stated_column("white_balance", "white balance"),
    _stated_column("shutter", "shutter"),
    _log_column("scene"),
    _log_column("kind"),
    Column("shot_size", "shot size", lambda line: _logged(line, "size")),
    Column("shot_size_label", "shot size label", lambda line: label(line, "size")),
    _log_column("angle"),
    _log_column("movement"),
    _log_column("support"),
    Column("who", "who", lambda line: say_people(line.shot)),
    _log_column("place"),
    _log_column("subject"),
    _log_column("note", "description"),
    Column("tags", "tags", _tags),
    _log_column("int_ext", "int/ext"),
    _log_column("time_of_day"),
    _log_column("direction"),
    _log_column("language"),
    _log_column("sensitive"),
    _log_column("rating"),
    _log_column("reason", "rating reason"),
    _log_column("audio", "audio source"),
    _log_column("sync"),
    _fact_column("sound_channels", "sound channels", "audio_channels"),
    _fact_column("sound_rate", "sound rate", "audio_rate"),
    _fact_column("sound_bits", "sound bits", "audio_bits"),
    Column("sound_on_channels", "channels", lambda line: say_channels(line.shot)),
    Column("in_sync_with", "in sync with", lambda line: say_pairs(line.shot)),
    Column("start_sample", "start sample", _start_sample),
    Column("samples", "samples", _samples),
    Column("findings", "technical findings", _findings),
    Column("release_status", "release status", lambda line: say_status(line.handover, line.shot)),
    Column("rights", "rights", lambda line: say_rights(line.handover, line.shot)),
    Column("transcript", "transcript", _transcript),
    Column("wanted_shot", "wanted shot", lambda line: line.handover.wishes.get(line.shot.clip.id)),
    Column("used", "used", _empty),
    Column("hash_algorithm", "hash algorithm", _algorithm),
    Column("hash", "hash", _digest),
    Column("all_hashes", "all hashes", _all_digests),
    Column("path", "path below each destination", _path),
    Column("all_paths", "all paths", _all_paths),
    Column("verified_copies", "verified copies", lambda line: len(verified_places(line.shot))),
    Column("copies", "copies", _copies),
)
