"""What a demuxer adds to MediaInfo's facts, and the proof of the rate. Runs in the child process."""

from __future__ import annotations

import dataclasses
from fractions import Fraction
from typing import Any

from av.container import InputContainer

from ingest.media.facts import Facts, Noticed
from ingest.media.labels import count_start
from ingest.media.opened import (
    facts_rate,
    frames_by_last_picture,
    missing,
    picture_facts,
    picture_stream,
    sound_facts,
)
from ingest.media.rates import prove_rate


def complete(facts: Facts, source: InputContainer) -> tuple[Facts, list[Noticed]]:
    """Fill what MediaInfo could not say from FFmpeg's reading. What it said stays, save two things.

    The pixel shape, which MediaInfo gives as a decimal and FFmpeg as the fraction that stands in the file;
    and whether the rate is constant, which the pictures' own stamps prove.
    """
    found: dict[str, Any] = missing(facts, sound_facts(source))
    stream = picture_stream(source)
    if stream is None:
        return dataclasses.replace(facts, **found), []
    found |= missing(facts, picture_facts(stream))
    if stream.sample_aspect_ratio:
        shape = Fraction(stream.sample_aspect_ratio)
        found["pixel_aspect"] = f"{shape.numerator}/{shape.denominator}"
    rated = prove_rate(dataclasses.replace(facts, **found), source, stream)
    facts, rate = rated.facts, facts_rate(rated.facts)
    if facts.frames is None and rated.pictures is not None:
        facts = _with_frames(facts, rated.pictures, "time stamps")
    elif facts.frames is None and rate is not None and facts.rate_mode != "variable":
        frames = frames_by_last_picture(source, stream, rate)
        if frames is not None:
            facts = _with_frames(facts, frames, "time of the last picture")
    return count_start(facts), list(rated.noticed)


def _with_frames(facts: Facts, frames: int, source: str) -> Facts:
    return dataclasses.replace(facts, frames=frames, more={**facts.more, "frames_from": source})
