"""The catalogue's tables, one module for each part of the job."""

from shared.models.base import Base, now
from shared.models.clip_times import ClipMedia, ClipTimes
from shared.models.clips import (
    Clip,
    ClipFile,
    FileRole,
    Finding,
    Severity,
    Still,
    StillKind,
    TakeFacts,
)
from shared.models.journal import Change, ChangeSet
from shared.models.log import ClipText, LogEntry, Moment, entry_person, entry_tag
from shared.models.measures import MeasureKind, Measurement, Suggestion
from shared.models.media import (
    Card,
    Copy,
    CopyState,
    Destination,
    File,
    Offload,
    OffloadState,
    Reel,
)
from shared.models.plan import (
    Answer,
    AnswerState,
    NarrationLine,
    Need,
    Origin,
    Threshold,
    WantedShot,
    wanted_person,
)
from shared.models.production import (
    Camera,
    CameraKind,
    ClockCorrection,
    Lens,
    Microphone,
    Person,
    Production,
    ProductionTerm,
    ShootingDay,
    Tag,
    ZoneRule,
)
from shared.models.releases import Release, ReleaseKind, release_clip
from shared.models.searches import SavedSearch
from shared.models.sound import ChannelMap, ChannelSource, SoundPair, SyncMethod, SyncState
from shared.models.touched import Touched
from shared.models.transcripts import ClipCue, ClipTranscript, TranscriptOrigin
from shared.models.work import Request, RequestKind, RequestState

__all__ = [
    "Answer",
    "AnswerState",
    "Base",
    "Camera",
    "CameraKind",
    "Card",
    "Change",
    "ChangeSet",
    "ChannelMap",
    "ChannelSource",
    "Clip",
    "ClipCue",
    "ClipFile",
    "ClipMedia",
    "ClipText",
    "ClipTimes",
    "ClipTranscript",
    "ClockCorrection",
    "Copy",
    "CopyState",
    "Destination",
    "File",
    "FileRole",
    "Finding",
    "Lens",
    "LogEntry",
    "MeasureKind",
    "Measurement",
    "Microphone",
    "Moment",
    "NarrationLine",
    "Need",
    "Offload",
    "OffloadState",
    "Origin",
    "Person",
    "Production",
    "ProductionTerm",
    "Reel",
    "Release",
    "ReleaseKind",
    "Request",
    "RequestKind",
    "RequestState",
    "SavedSearch",
    "Severity",
    "ShootingDay",
    "SoundPair",
    "Still",
    "StillKind",
    "Suggestion",
    "SyncMethod",
    "SyncState",
    "Tag",
    "TakeFacts",
    "Threshold",
    "Touched",
    "TranscriptOrigin",
    "WantedShot",
    "ZoneRule",
    "entry_person",
    "entry_tag",
    "now",
    "release_clip",
    "wanted_person",
]
