"""Media files damaged or made hostile, by the thousand: the same ones for the same seed.

Each is one sound file with something done to it: bits flipped, cut off, stretches swapped or repeated, sizes
and counts made absurd, boxes nested without end; or text that names other files under the name of a film.
"""

from __future__ import annotations

import random
import struct
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from PIL import ExifTags, Image

from tests.ingest.media_support import run_ffmpeg, wave_bytes

_CONTAINER_BOXES = (b"moov", b"trak", b"mdia", b"minf", b"stbl", b"dinf", b"edts", b"udta")
_TABLES = (b"stts", b"stsz", b"stco", b"stsc", b"ctts", b"stss", b"elst", b"dref", b"stsd", b"co64", b"trun")
_ABSURD = (0, 1, 2, 7, 8, 2**16 - 1, 2**24, 2**31 - 1, 2**31, 2**32 - 2, 2**32 - 1)


@dataclass(frozen=True, slots=True)
class Mutant:
    """`how` names what was done, to a file of which kind."""

    number: int
    suffix: str
    how: str
    content: bytes


def make_originals(folder: Path) -> dict[str, bytes]:
    """Small whole files by suffix, of each kind that is read."""
    film = ("-f", "lavfi", "-i", "testsrc2=s=96x64:r=25", "-f", "lavfi", "-i", "sine=r=48000", "-t", "0.6")
    x264 = ("-c:v", "libx264", "-preset", "ultrafast", "-bf", "2")
    timed = ("-timecode", "10:00:00:00", "-metadata", "creation_time=2026-05-12T09:41:07Z")
    recipes: Mapping[str, tuple[str, ...]] = {
        "mp4": (*x264, "-c:a", "aac", *timed),
        "mov": ("-c:v", "prores_ks", "-c:a", "pcm_s24le", *timed, "-metadata", "location=+55.6761+012.5683/"),
        "m4v": (*x264, "-c:a", "aac", "-movflags", "frag_keyframe+empty_moov"),
        "mkv": (*x264, "-c:a", "flac", *timed),
        "mxf": ("-c:v", "mpeg2video", "-b:v", "2M", "-c:a", "pcm_s16le", *timed),
        "mts": (*x264, "-c:a", "ac3", "-f", "mpegts"),
        "mpg": ("-c:v", "mpeg2video", "-c:a", "mp2"),
        "avi": ("-c:v", "mjpeg", "-c:a", "pcm_s16le"),
        "ogg": ("-vn", "-c:a", "libvorbis", "-f", "ogg"),
        "flac": ("-vn",),
        "rf64": ("-vn", "-c:a", "pcm_s24le", "-rf64", "always", "-write_bext", "1", "-f", "wav"),
    }
    found: dict[str, bytes] = {}
    for suffix, recipe in recipes.items():
        path = folder / f"whole.{suffix}"
        run_ffmpeg(*film, *recipe, path)
        found[suffix] = path.read_bytes()
    tone = [9000, -9000] * 2000
    found["wav"] = wave_bytes(tone, 48_000, date="2026-05-12", time="10:00:00", reference=5)
    picture = Image.radial_gradient("L").convert("RGB")
    exif = picture.getexif()
    exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.LensModel] = "Prime 35"
    exif.get_ifd(ExifTags.IFD.GPSInfo)[ExifTags.GPS.GPSLatitude] = (55.0, 40.0, 33.96)
    for suffix in ("jpg", "png", "tif", "webp"):
        path = folder / f"whole.{suffix}"
        picture.save(path, exif=exif)
        found[suffix] = path.read_bytes()
    found["xml"] = b'<?xml version="1.0"?><Take><Video captureFps="100p"/><Lens name="Prime 35"/></Take>'
    return found


def mutants(originals: Mapping[str, bytes], seed: int, count: int, lures: list[str]) -> Iterator[Mutant]:
    """`count` of them. `lures` are paths and addresses that hostile ones name, and nobody may open."""
    rng = random.Random(seed)
    suffixes = sorted(originals)
    for number in range(count):
        if number % 12 == 11:
            how, content = _hostile_text(rng, lures)
            yield Mutant(number, rng.choice(("mp4", "mov", "mkv", "mts", "wav", "jpg", "xml")), how, content)
            continue
        suffix = suffixes[rng.randrange(len(suffixes))]
        content, done = originals[suffix], []
        for _ in range(rng.choice((1, 1, 1, 2, 3))):
            mutate = rng.choice(_MUTATIONS)
            done.append(mutate.__name__.strip("_"))
            content = mutate(content, rng, lures)
        yield Mutant(number, suffix, f"{suffix} {'+'.join(done)}", content)


def _flip_bits(data: bytes, rng: random.Random, _lures: list[str]) -> bytes:
    changed = bytearray(data)
    for _ in range(rng.choice((1, 4, 32, 300)) if changed else 0):
        changed[_place(rng, changed)] ^= 1 << rng.randrange(8)
    return bytes(changed)


def _cut(data: bytes, rng: random.Random, _lures: list[str]) -> bytes:
    return data[: _place(rng, data)]


def _blank(data: bytes, rng: random.Random, _lures: list[str]) -> bytes:
    at, length = _place(rng, data), rng.choice((4, 64, 4096))
    return data[:at] + bytes(len(data[at : at + length])) + data[at + length :]


def _repeat(data: bytes, rng: random.Random, _lures: list[str]) -> bytes:
    """A stretch again and again, up to a megabyte more."""
    at, length = _place(rng, data), rng.choice((8, 300, 5000))
    piece = data[at : at + length]
    return data[:at] + piece * min(rng.choice((2, 20, 3000)), 2**20 // max(1, len(piece))) + data[at:]


def _swap(data: bytes, rng: random.Random, _lures: list[str]) -> bytes:
    """Two boxes of a movie, or two stretches of anything else, in each other's place."""
    boxes = _boxes(data)
    pairs = [(a, b) for a in boxes for b in boxes if a[1] <= b[0]]
    if pairs:
        (a, b), (c, d) = rng.choice(pairs)
    else:
        a, b, c, d = sorted(_place(rng, data) for _ in range(4))
    return data[:a] + data[c:d] + data[b:c] + data[a:b] + data[d:]


def _absurd_size(data: bytes, rng: random.Random, _lures: list[str]) -> bytes:
    """The size of a box, or any four or eight bytes, made a number that can't be."""
    boxes = _boxes(data)
    at = rng.choice(boxes)[0] if boxes and rng.random() < 0.7 else _place(rng, data)
    value, form = rng.choice(_ABSURD), rng.choice((">I", "<I"))
    if rng.random() < 0.2:  # ISO/IEC 14496-12: a size of 1 is followed by one of eight bytes
        written = (
            struct.pack(">I", 1) + data[at + 4 : at + 8] + struct.pack(">Q", rng.choice((0, 2**63, 2**40)))
        )
    else:
        written = struct.pack(form, value)
    return data[:at] + written + data[at + len(written) :]


def _absurd_count(data: bytes, rng: random.Random, _lures: list[str]) -> bytes:
    """A table of a movie that claims more entries than it has bytes."""
    found = [at for name in _TABLES if (at := data.find(name)) >= 0]
    at = rng.choice(found) + 8 if found else _place(rng, data)
    return data[:at] + struct.pack(">I", rng.choice(_ABSURD)) + data[at + 4 :]


def _nest(data: bytes, rng: random.Random, _lures: list[str]) -> bytes:
    """Boxes, or lists, or elements, in one another, thousands deep."""
    depth = rng.choice((50, 2000, 20_000))
    if data.startswith(b"RIFF"):
        inner = b"".join(b"LIST" + struct.pack("<I", 12 * (depth - n)) + b"INFO" for n in range(depth))
        return data[:12] + inner + data[12:]
    if data.startswith(b"\x1a\x45\xdf\xa3"):  # RFC 8794: a Segment of unknown size in another
        return data + b"\x18\x53\x80\x67\x01\xff\xff\xff\xff\xff\xff\xff" * depth
    if data.startswith(b"<"):
        return b"<a>" * depth + data
    name = rng.choice(_CONTAINER_BOXES)
    nested = b"".join(struct.pack(">I4s", 8 * (depth - n), name) for n in range(depth))
    at = rng.choice([0, *(start for start, _ in _boxes(data))])
    return data[:at] + nested + data[at:]


def _refer(data: bytes, rng: random.Random, lures: list[str]) -> bytes:
    """A data reference to another file (ISO/IEC 14496-12, 8.7.2), over the one that is there."""
    at, lure = data.find(b"dref"), rng.choice(lures).encode()
    reference = struct.pack(">I4sI", len(lure) + 13, b"url ", 0) + lure + b"\0"
    if at < 4:
        return data + reference
    entry = bytes(4) + struct.pack(">I", 1) + reference
    return data[: at - 4] + struct.pack(">I", len(entry) + 8) + b"dref" + entry + data[at + 24 :]


_Mutation = Callable[[bytes, random.Random, "list[str]"], bytes]
_MUTATIONS: tuple[_Mutation, ...] = (
    *(_flip_bits, _flip_bits, _cut, _blank, _repeat, _swap),
    *(_absurd_size, _absurd_size, _absurd_count, _nest, _refer),
)


def _hostile_text(rng: random.Random, lures: list[str]) -> tuple[str, bytes]:
    """A playlist, or another text that names files, bare or behind the first bytes of a container."""
    lure, other = rng.choice(lures), rng.choice(lures)
    texts = {
        "hls": f"#EXTM3U\n#EXT-X-TARGETDURATION:9\n#EXTINF:9,\n{lure}\n#EXTINF:9,\n{other}\n",
        "key": f'#EXTM3U\n#EXT-X-KEY:METHOD=AES-128,URI="{lure}"\n#EXTINF:9,\n{other}\n',
        "concat": f"ffconcat version 1.0\nfile '{lure}'\nfile '{other}'\n",
        "dash": f'<MPD xmlns="urn:mpeg:dash:schema:mpd:2011"><Period><AdaptationSet mimeType="video/mp4">'
        f'<Representation id="1"><BaseURL>{lure}</BaseURL></Representation></AdaptationSet></Period></MPD>',
        "smil": f'<smil><body><switch><video src="{lure}"/></switch></body></smil>',
        "entity": f'<!DOCTYPE x [<!ENTITY a SYSTEM "{lure}">]><Take captureFps="100">&a;</Take>',
        "stylesheet": f'<?xml-stylesheet href="{lure}"?><x xmlns:xi="http://www.w3.org/2001/XInclude">'
        f'<xi:include href="{lure}" parse="text"/></x>',
        "svg": f'<svg xmlns="http://www.w3.org/2000/svg"><image href="{lure}"/></svg>',
        "sdp": f"v=0\no=- 0 0 IN IP4 127.0.0.1\nm=video 5004 RTP/AVP 96\na=control:{lure}\n",
        "reference": f"[Reference]\nRef1={lure}\nRef2={other}\n",
    }
    name = rng.choice(sorted(texts))
    text = texts[name].encode()
    heads = (
        b"",
        b"",
        b"ID3\x04\0\0\0\0\0\0",
        b"\0\0\0\x14ftypisom\0\0\0\0isom",
        b"OggS",
        b"\x47" + bytes(187),
    )
    head = rng.choice(heads)
    return f"text {name}{' behind a head' if head else ''}", head + text


def _place(rng: random.Random, data: bytes | bytearray) -> int:
    """Anywhere, but most often near the ends, where headers and indexes stand."""
    if not data:
        return 0
    where = rng.random()
    if where < 0.4:
        return rng.randrange(min(len(data), 1024))
    return len(data) - 1 - rng.randrange(min(len(data), 4096)) if where < 0.7 else rng.randrange(len(data))


def _boxes(data: bytes, first: int = 0, end: int | None = None, depth: int = 0) -> list[tuple[int, int]]:
    """Where the boxes of a movie begin and end, inner ones too. Empty for anything else."""
    end = len(data) if end is None else end
    found: list[tuple[int, int]] = []
    while first + 8 <= end and len(found) < 200:
        size, name = struct.unpack_from(">I4s", data, first)
        if size < 8 or first + size > end or not name.isalnum():
            break
        found.append((first, first + size))
        if name in _CONTAINER_BOXES and depth < 8:
            found += _boxes(data, first + 8, first + size, depth + 1)
        first += size
    return found
