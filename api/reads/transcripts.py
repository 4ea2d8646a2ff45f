"""Cues as they are read for an answer or a page."""

from __future__ import annotations

from api.etags import content_tag
from api.schemas.transcripts import cue_shape
from shared import models


def cue_tag(cue: models.ClipCue) -> str:
    """The version of a cue: another one when anything that is shown of it is another."""
    return content_tag(cue_shape(cue))
