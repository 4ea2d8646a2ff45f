"""Which files of a card make one clip: a recording with its companions, or several files of one recording.

Pure: file names, sizes, times and facts in, clips out. Conservative: a file that nothing ties to a take is
a clip of its own, and two takes are never joined on a guess.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from ingest.media.facts import FAULT, NOTE, WARNING, Noticed
from ingest.media.kinds import PROXY, RAW_IMAGE, Kind, kind_of, suffix_of
from ingest.missing import find_missing
from ingest.spans import MediaFile, find_spans
from shared.models import ClipMedia, FileRole
from shared.names import display, fold

__all__ = ["GroupedClip", "MediaFile", "Member", "PerSecond", "group_clips", "plain_stem"]

NAME_LIMIT = 300  # the width of clip.name

# What cameras add to a take's name for its companions (common practice, no source): "C0001M01.XML".
_COMPANION_STEM = re.compile(r"(.+?)(m\d\d|t\d\d|s\d\d|[_-]proxy|[_-]thumb)")
_PROXY_MARK, _THUMBNAIL_MARK = re.compile(r"s\d\d|[_-]proxy"), re.compile(r"t\d\d|[_-]thumb")
_SURE_PROXY_MARK = re.compile(r"[_-]proxy")
_PROXY_FOLDER = re.compile(r"sub|prox(y|ies)")  # common practice, no source
_THUMBNAIL_FOLDER = re.compile(r"(thm|thumb).*|icon")
# JEITA CP-3461 (DCF): three digits and five free characters. Names repeat between such folders by chance.
_DCF_FOLDER = re.compile(r"\d{3}\w{5}")
_PICTURES = frozenset(("JPEG", "PNG", "TIFF", "WebP", "HEIF"))
_ROLE_ORDER = (FileRole.ESSENCE, FileRole.PROXY, FileRole.THUMBNAIL, FileRole.SIDECAR)
_SPANNING = (ClipMedia.VIDEO, ClipMedia.AUDIO)
_KIND_ORDER: tuple[Kind, ...] = ("video", "audio", "image")


@dataclass(frozen=True, slots=True)
class Member:
    """`index` is the file's place in what was grouped; `ordinal` counts within the clip, essence first."""

    index: int
    path: bytes
    role: FileRole
    ordinal: int


@dataclass(frozen=True, slots=True)
class PerSecond:
    """Pictures or samples a second, exact."""

    num: int
    den: int = 1


@dataclass(frozen=True, slots=True)
class GroupedClip:
    """`rate` and `frames` count pictures, or samples where the clip is sound only. None: not known."""

    name: str
    media: ClipMedia
    members: tuple[Member, ...]
    rate: PerSecond | None = None
    frames: int | None = None
    start_frame: int | None = None
    drop_frame: bool = False
    noticed: tuple[Noticed, ...] = ()


_Stems = Mapping[str, "list[_Item]"]
_OwnerOf = Callable[["_Item", _Stems], "_Item | None"]


@dataclass(slots=True)
class _Item:
    """A file on its way into a clip. There may be very many, so what `files` can say again is not kept."""

    index: int
    files: Sequence[MediaFile]
    kind: Kind
    folder: str
    stem: str
    owned: tuple[tuple[_Item, FileRole], ...] = ()
    noticed: tuple[Noticed, ...] = ()

    @property
    def file(self) -> MediaFile:
        return self.files[self.index]


def group_clips(files: Sequence[MediaFile]) -> list[GroupedClip]:
    """The clips of a card, in the order of their paths. Files that belong to none are left out."""
    items = list(_items(files))
    essences = [item for item in items if item.kind != "sidecar"]
    essences = _tie(essences, _proxy_owner, FileRole.PROXY)
    essences = _tie(essences, _thumbnail_owner, FileRole.THUMBNAIL)
    by_stem = _by_stem(essences)
    for item in items:
        if item.kind == "sidecar":
            owner = _sidecar_owner(item, by_stem)
            if owner is not None:
                thumbnail = suffix_of(item.file.path) == b"thm"
                owner.owned += ((item, FileRole.THUMBNAIL if thumbnail else FileRole.SIDECAR),)
    by_index = {item.index: item for item in essences}
    spans = find_spans(files, [item.index for item in essences if _media(item) in _SPANNING])
    joined = {index for span in spans for index in span[1:]}
    chains = {span[0]: span for span in spans}
    takes = [
        [by_index[index] for index in chains.get(item.index, [item.index])]
        for item in essences
        if item.index not in joined
    ]
    _notice_missing(files, takes)
    return _named(sorted(takes, key=lambda take: take[0].file.path))


def _notice_missing(files: Sequence[MediaFile], takes: Sequence[Sequence[_Item]]) -> None:
    """Say of each take which of its parts are not on the card."""
    spanning = [take for take in takes if _media(take[0]) in _SPANNING]
    missing = find_missing(files, [[item.index for item in take] for take in spanning])
    for take in spanning:
        if take[0].index in missing:
            take[0].noticed += (missing[take[0].index],)


def _items(files: Sequence[MediaFile]) -> Iterator[_Item]:
    folders: dict[bytes, str] = {}  # very many files share one
    for index, file in enumerate(files):
        kind = kind_of(file.path)
        if kind is None:
            continue
        folder, _, name = file.path.rpartition(b"/")
        if folder not in folders:
            folders[folder] = fold(folder)
        suffix = suffix_of(name)
        stem = name[: -len(suffix) - 1] if suffix else name
        yield _Item(index, files, kind, folders[folder], fold(stem))


def _by_stem(items: Iterable[_Item]) -> _Stems:
    found: defaultdict[str, list[_Item]] = defaultdict(list)
    for item in items:
        found[item.stem].append(item)
    return found


def _tie(essences: list[_Item], owner_of: _OwnerOf, role: FileRole) -> list[_Item]:
    """Give each item that has an owner to it; the others, in order."""
    by_stem = _by_stem(essences)
    owners = {item.index: owner_of(item, by_stem) for item in essences}
    left: list[_Item] = []
    for item in essences:
        owner = owners[item.index]
        # An owner that is itself owned would take its companions out of sight: as a raw photograph, with the
        # picture developed from it, that lies in a folder of thumbnails.
        if owner is None or owners[owner.index] is not None or item.owned:
            left.append(item)
            continue
        owner.owned += ((item, role),)
        if role is FileRole.PROXY:
            owner.noticed += tuple(_proxy_problems(item, owner))
    return left


def _proxy_owner(item: _Item, by_stem: _Stems) -> _Item | None:
    """The take that this is a low-resolution twin of, or the raw photograph it was developed from."""
    if item.kind == "image":
        same = [other for other in by_stem[item.stem] if other.folder == item.folder and _is_raw(other)]
        return same[0] if len(same) == 1 and not _is_raw(item) else None
    if item.kind != "video":
        return None
    base, mark = _split_mark(item.stem)
    marked = _PROXY_MARK.fullmatch(mark) is not None
    if marked or suffix_of(item.file.path) in PROXY:
        stem = base if marked else item.stem
        videos = [other for other in by_stem.get(stem, ()) if other is not item and other.kind == "video"]
        return _nearest(item, [other for other in videos if suffix_of(other.file.path) not in PROXY])
    twins = [other for other in by_stem[item.stem] if other is not item and _is_small_twin(item, other)]
    return _nearest(item, twins)


def _is_raw(item: _Item) -> bool:
    return suffix_of(item.file.path) in RAW_IMAGE


def _is_small_twin(item: _Item, other: _Item) -> bool:
    """Whether an unmarked file of the same stem is a proxy: as many frames, and visibly another encoding."""
    mine, theirs = item.file.facts, other.file.facts
    if other.kind != "video" or mine is None or theirs is None or item.file.size >= other.file.size:
        return False
    if _are_other_dcf_folders(item.folder, other.folder):
        return False
    same_length = mine.frames is not None and mine.frames == theirs.frames
    same_clock = (mine.rate_num, mine.rate_den) == (theirs.rate_num, theirs.rate_den)
    starts = {mine.start_frame, theirs.start_frame} - {None}
    encodings = {(facts.video_codec, facts.width, facts.height) for facts in (mine, theirs)}
    return same_length and same_clock and len(starts) <= 1 and len(encodings) == 2


def _are_other_dcf_folders(one: str, other: str) -> bool:
    names = (one.rpartition("/")[2], other.rpartition("/")[2])
    return one != other and all(_DCF_FOLDER.fullmatch(name) for name in names)


def _thumbnail_owner(item: _Item, by_stem: _Stems) -> _Item | None:
    """The video that a small picture shows; None for a photograph."""
    if item.kind != "image":
        return None
    base, mark = _split_mark(item.stem)
    if _THUMBNAIL_MARK.fullmatch(mark):
        stem = base
    elif _THUMBNAIL_FOLDER.fullmatch(item.folder.rpartition("/")[2]):
        stem = item.stem
    else:
        return None
    return _nearest(item, [other for other in by_stem.get(stem, ()) if other.kind == "video"])


def _sidecar_owner(item: _Item, by_stem: _Stems) -> _Item | None:
    base, _ = _split_mark(item.stem)
    for stem in (item.stem, base):
        for kind in _KIND_ORDER:
            owner = _nearest(item, [other for other in by_stem.get(stem, ()) if other.kind == kind])
            if owner is not None:
                return owner
    return None


def plain_stem(path: bytes) -> str:
    """A file's name without suffix, case and what cameras add to it for a companion; "c0001" of C0001S03.MP4.

    Files of one take have it in common; so may files that are none.
    """
    name = path.rpartition(b"/")[2]
    suffix = suffix_of(name)
    return _split_mark(fold(name[: -len(suffix) - 1] if suffix else name))[0]


def _split_mark(stem: str) -> tuple[str, str]:
    match = _COMPANION_STEM.fullmatch(stem)
    return (match[1], match[2]) if match else (stem, "")


def _nearest(item: _Item, owners: Sequence[_Item]) -> _Item | None:
    """The one owner in the same folder, else the one in a folder beside, above or below. None: unclear."""
    for near in (_is_same_folder, _is_near_folder):
        found = [owner for owner in owners if near(item.folder, owner.folder)]
        if found:
            return found[0] if len(found) == 1 else None
    return None


def _is_same_folder(one: str, other: str) -> bool:
    return one == other


def _is_near_folder(one: str, other: str) -> bool:
    """Above, below, or beside; two DCF folders lie beside each other without belonging together."""
    above, above_other = one.rpartition("/")[0], other.rpartition("/")[0]
    near = one == above_other or other == above or above == above_other
    return near and not _are_other_dcf_folders(one, other)


def _proxy_problems(item: _Item, owner: _Item) -> list[Noticed]:
    mine, theirs = item.file.facts, owner.file.facts
    if mine is None or theirs is None or None in (mine.frames, theirs.frames) or mine.frames == theirs.frames:
        return []
    return [
        Noticed(
            "proxy-length-differs",
            WARNING,
            f"The proxy {display(item.file.path)} has {mine.frames} frames, the take {theirs.frames}.",
            value=mine.frames,
            unit="frames",
            rule="A proxy has as many frames as its take.",
        )
    ]


def _media(item: _Item) -> ClipMedia:
    facts = item.file.facts
    if facts is None:
        return ClipMedia.UNKNOWN
    if item.kind == "image" or facts.container in _PICTURES:
        return ClipMedia.IMAGE
    if facts.video_codec is not None:
        return ClipMedia.VIDEO
    return ClipMedia.UNKNOWN if facts.audio_codec is None else ClipMedia.AUDIO


def _clip(take: Sequence[_Item], name: str) -> GroupedClip:
    first = take[0]
    owned = [pair for item in take for pair in item.owned]
    owned.sort(key=lambda pair: (_ROLE_ORDER.index(pair[1]), pair[0].file.path))
    parts = [*((item, FileRole.PROXY if _is_lone_proxy(item) else FileRole.ESSENCE) for item in take), *owned]
    members = tuple(
        Member(item.index, item.file.path, role, ordinal) for ordinal, (item, role) in enumerate(parts)
    )
    noticed = [*_unreadable(first), *(one for item in take for one in item.noticed), *_span_note(take)]
    media, facts = _media(first), first.file.facts
    known = [item.file.facts for item in take if item.file.facts is not None]
    if facts is None or media not in _SPANNING:
        return GroupedClip(name, media, members, noticed=tuple(noticed))
    if media is ClipMedia.VIDEO:
        rate = PerSecond(facts.rate_num, facts.rate_den) if facts.rate_num and facts.rate_den else None
        frames = _sum(facts.frames for facts in known)
        drop = bool(facts.drop_frame) and facts.start_frame is not None
        return GroupedClip(name, media, members, rate, frames, facts.start_frame, drop, tuple(noticed))
    rate = PerSecond(facts.audio_rate) if facts.audio_rate else None
    samples = _sum(facts.samples for facts in known)
    return GroupedClip(name, media, members, rate, samples, noticed=tuple(noticed))


def _sum(counts: Iterable[int | None]) -> int | None:
    known = list(counts)
    return None if None in known else sum(count for count in known if count is not None)


def _unreadable(item: _Item) -> list[Noticed]:
    found: list[Noticed] = []
    if _media(item) is ClipMedia.UNKNOWN:
        why = item.file.problem or ("it is empty (0 bytes)" if item.file.size == 0 else "no parser could")
        said = f"{display(item.file.path)} could not be read as media: {why}."
        found.append(Noticed("media-unknown", FAULT, said, rule="Every take can be read."))
    if _is_lone_proxy(item):
        said = f"{display(item.file.path)} is a proxy, and its take is not on this card."
        found.append(Noticed("proxy-alone", WARNING, said, rule="A proxy lies near its take."))
    return found


def _is_lone_proxy(item: _Item) -> bool:
    """Whether a file that was tied to no take is a twin of one all the same, by its name: never an original.

    A mark that other names may end in by chance, as in SCENES01, counts in a folder of proxies only.
    """
    if item.kind != "video":
        return False
    _, mark = _split_mark(item.stem)
    if suffix_of(item.file.path) in PROXY or _SURE_PROXY_MARK.fullmatch(mark):
        return True
    in_proxies = _PROXY_FOLDER.fullmatch(item.folder.rpartition("/")[2])
    return bool(in_proxies and _PROXY_MARK.fullmatch(mark))


def _span_note(take: Sequence[_Item]) -> list[Noticed]:
    if len(take) == 1:
        return []
    said = (
        f"One recording in {len(take)} files, {display(take[0].file.path)} to {display(take[-1].file.path)}."
    )
    return [Noticed("clip-spans-files", NOTE, said, value=len(take), unit="files")]


def _named(takes: Sequence[Sequence[_Item]]) -> list[GroupedClip]:
    """Clips with names that differ: the path without its suffix, or the whole path where that is taken.

    Moving pictures come first to the short name, so that it stays when a card has gained a photograph.
    """
    first: dict[str, _Item] = {}
    for take in sorted(takes, key=lambda take: _KIND_ORDER.index(take[0].kind)):
        first.setdefault(_short_name(take[0].file.path), take[0])
    used: set[str] = set()
    clips: list[GroupedClip] = []
    for take in takes:
        name = _short_name(take[0].file.path)
        if first[name] is not take[0]:
            name = display(take[0].file.path)
        name = _fitted(name, used)
        used.add(name)
        clips.append(_clip(take, name))
    return clips


def _short_name(path: bytes) -> str:
    suffix = suffix_of(path)
    return display(path[: -len(suffix) - 1] if suffix else path)


def _fitted(name: str, used: set[str]) -> str:
    """The end of an overlong name, which tells takes apart, and a number where that is not enough."""
    fitted, number = name if len(name) <= NAME_LIMIT else "…" + name[1 - NAME_LIMIT :], 1
    while fitted in used:
        number += 1
        tail = f" ({number})"
        fitted = name[: NAME_LIMIT - len(tail)] + tail
    return fitted
