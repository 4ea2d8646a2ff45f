"""The catalogue's tables, one module for each part of the job."""

from shared.models.base import Base, now
from shared.models.clips import (
    Clip,
    ClipFile,
    ClipMedia,
    FileRole,
    Finding,
    Severity,
    Still,
    StillKind,
    TakeFacts,
)
from shared.models.journal import Change, ChangeSet
from shared.models.log import ClipText, LogEntry, Moment, entry_person, entry_tag
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
from shared.models.searches import SavedSearch
from shared.models.sound import ChannelMap, ChannelSource, SoundPair, SyncMethod, SyncState
from shared.models.touched import Touched
from shared.models.work import Request, RequestKind, RequestState

__all__ = [
    "Base",
    "Camera",
    "CameraKind",
    "Card",
    "Change",
    "ChangeSet",
    "ChannelMap",
    "ChannelSource",
    "Clip",
    "ClipFile",
    "ClipMedia",
    "ClipText",
    "ClockCorrection",
    "Copy",
    "CopyState",
    "Destination",
    "File",
    "FileRole",
    "Finding",
    "Lens",
    "LogEntry",
    "Microphone",
    "Moment",
    "Offload",
    "OffloadState",
    "Person",
    "Production",
    "ProductionTerm",
    "Reel",
    "Request",
    "RequestKind",
    "RequestState",
    "SavedSearch",
    "Severity",
    "ShootingDay",
    "SoundPair",
    "Still",
    "StillKind",
    "SyncMethod",
    "SyncState",
    "Tag",
    "TakeFacts",
    "Touched",
    "ZoneRule",
    "entry_person",
    "entry_tag",
    "now",
]
