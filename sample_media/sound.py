"""Sound: what microphones in the valley hear, and the broadcast wave file a recorder keeps it in.

Every source is a function of the time of day, in samples since local midnight. Two machines that record the
same moment therefore hear the same voice, each through its own microphone. The two interviews are real words,
kept in `speech/` as a synthesiser spoke them (see `speak.py`); other voices only have the sound of speech.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from importlib.resources import files
from pathlib import Path
from xml.sax.saxutils import escape

import av
import numpy as np
from numpy.typing import NDArray

SAMPLE_RATE = 48_000
SPEECH_RATE = 16_000  # of the kept words
Signal = NDArray[np.float64]
"""Samples in -1..1, one dimension for one channel."""

_SYLLABLE = 10_560
_GRAIN = 9_600
_VOWELS = ((700, 1150), (400, 1900), (300, 850), (520, 1600), (620, 1050), (340, 2200))


@dataclass(frozen=True)
class Voice:
    pitch: float
    """Fundamental in hertz."""
    seed: int


@dataclass(frozen=True)
class Words:
    """Words that were really said, once."""

    name: str
    """Of the files in `speech/`."""
    first: int
    """The sample at which they begin, counted from local midnight."""


@dataclass(frozen=True)
class Source:
    """What there is to hear at a place: perhaps somebody speaking, and what goes on around them."""

    voice: Voice | Words | None
    around: str


SOURCES: Mapping[str, Source] = {
    "ferrywoman": Source(Words("nell", 37_867_900 * 48), "room"),  # at 10:31:07.900
    "engineer": Source(Words("juergen", 40_522_500 * 48), "winch"),  # at 11:15:22.500
    "passenger": Source(Voice(168.0, 13), "river"),
    "memo": Source(Voice(142.0, 14), "river"),
    "river": Source(None, "river"),
    "room": Source(None, "room"),
    "winch": Source(None, "winch"),
    "engine": Source(None, "engine"),
}


@dataclass(frozen=True)
class Microphone:
    """How one channel hears: gain on the voice, gain on the surroundings, and how far it stands off."""

    voice: float
    around: float
    delay: int
    """Samples the sound takes to arrive; 48 are about a third of a metre."""
    side: int
    """Seed offset, so that two channels of one place are alike and not identical."""


MICROPHONES: Mapping[str, Microphone] = {
    "lav": Microphone(1.0, 0.12, 30, 0),
    "shotgun": Microphone(0.6, 0.35, 110, 1),
    "camera-left": Microphone(0.22, 0.7, 290, 2),
    "camera-right": Microphone(0.20, 0.7, 300, 3),
    "unplugged": Microphone(0.0, 0.0, 0, 4),
}


def hear(sound: str, first: int, count: int, microphones: Sequence[str]) -> NDArray[np.float64]:
    """What the microphones hear of a source: shape (count, channels), samples in -1..1.

    `first` is the first sample, counted from local midnight. Each input also has a noise floor near
    -90 dBFS; that is all an unplugged one has.
    """
    source = SOURCES[sound]
    channels = []
    for name in microphones:
        microphone = MICROPHONES[name]
        start = first - microphone.delay
        signal = 3e-5 * _grain_noise(start, count, 900 + microphone.side, low=20, high=20_000)
        if microphone.around:
            signal += microphone.around * _surroundings(source.around, start, count, microphone.side)
        if source.voice is not None and microphone.voice:
            signal += microphone.voice * _voice(source.voice, start, count)
        channels.append(signal)
    return np.clip(np.stack(channels, axis=1), -0.98, 0.98)


def _voice(voice: Voice | Words, first: int, count: int) -> Signal:
    return _recall(voice, first, count) if isinstance(voice, Words) else _speak(voice, first, count)


def _recall(words: Words, first: int, count: int) -> Signal:
    """The kept words where they were said, and silence before and after."""
    whole = _read_words(words.name)
    out = np.zeros(count)
    left, right = max(first, words.first), min(first + count, words.first + len(whole))
    if left < right:
        out[left - first : right - first] = whole[left - words.first : right - words.first]
    return out


@cache
def _read_words(name: str) -> Signal:
    """The kept words at SAMPLE_RATE, at the level of a lavalier that was set well: loudest at -7 dBFS."""
    from scipy.signal import resample_poly  # heavy

    with (
        files("sample_media").joinpath("speech", f"{name}.flac").open("rb") as file,
        av.open(file, "r") as kept,
    ):
        pieces = [frame.to_ndarray().reshape(-1) for frame in kept.decode(audio=0)]
    samples = np.concatenate(pieces).astype(np.float64)
    slow: Signal = np.asarray(resample_poly(samples, SAMPLE_RATE // SPEECH_RATE, 1))
    return slow * (10 ** (-7 / 20) / float(np.abs(slow).max()))


def _speak(voice: Voice, first: int, count: int) -> Signal:
    """Speech-like syllables: harmonics shaped by two formants, with a pause at the end of each phrase."""
    out = np.zeros(count)
    for index in range(first // _SYLLABLE, (first + count) // _SYLLABLE + 1):
        rng = np.random.default_rng((voice.seed, index))
        if index % 11 >= 9:
            continue
        start = index * _SYLLABLE
        syllable = _syllable(voice, rng)
        left, right = max(first, start), min(first + count, start + _SYLLABLE)
        if left < right:
            out[left - first : right - first] += syllable[left - start : right - start]
    return out


def _syllable(voice: Voice, rng: np.random.Generator) -> Signal:
    time = np.arange(_SYLLABLE) / SAMPLE_RATE
    pitch = voice.pitch * rng.uniform(0.9, 1.15)
    phase = 2 * np.pi * pitch * (time + rng.uniform(-0.06, 0.03) * time**2)
    lower, upper = _VOWELS[int(rng.integers(len(_VOWELS)))]
    wave: Signal = np.zeros(_SYLLABLE)
    for harmonic in range(1, int(3400 / pitch)):
        hertz = harmonic * pitch
        weight = 1 / (1 + ((hertz - lower) / 110) ** 2) + 0.5 / (1 + ((hertz - upper) / 160) ** 2) + 0.03
        wave += weight * np.sin(harmonic * phase)
    attack = np.clip(time / 0.03, 0, 1) * np.clip((time[-1] - time) / 0.07, 0, 1)
    voiced: Signal = wave * attack
    # Loud syllables reach -7 dBFS on the lavalier, where field recordings are usually set.
    return voiced * (rng.uniform(0.25, 0.42) / float(np.abs(voiced).max()))


def _surroundings(name: str, first: int, count: int, side: int) -> Signal:
    time = (first + np.arange(count)) / SAMPLE_RATE
    if name == "room":
        hum = 0.002 * np.sin(2 * np.pi * 100 * time)
        return hum + 0.006 * _grain_noise(first, count, 20 + side, low=60, high=1500)
    if name == "river":
        lapping = 0.6 + 0.4 * np.sin(2 * np.pi * 0.45 * time)
        return 0.03 * lapping * _grain_noise(first, count, 30 + side, low=150, high=4000)
    if name == "engine":
        beat = (
            np.sin(2 * np.pi * 26 * time)
            + 0.6 * np.sin(2 * np.pi * 52 * time)
            + 0.3 * np.sin(2 * np.pi * 131 * time)
        )
        return 0.05 * beat + 0.02 * _grain_noise(first, count, 40 + side, low=80, high=2500)
    motor = 0.02 * np.sin(2 * np.pi * 50 * time) + 0.015 * np.sin(2 * np.pi * 150 * time)
    return motor + _clank(first, count) + 0.012 * _grain_noise(first, count, 50 + side, low=200, high=5000)


def _clank(first: int, count: int) -> Signal:
    """A link of the chain dropping on the sprocket twice a second."""
    period, ring = SAMPLE_RATE // 2, 16_000
    time = np.arange(ring) / SAMPLE_RATE
    out = np.zeros(count)
    for index in range((first - ring) // period, (first + count) // period + 1):
        rng = np.random.default_rng((60, index % 1_000_000))
        strike = sum(
            np.sin(2 * np.pi * hertz * rng.uniform(0.97, 1.03) * time) * np.exp(-time * fall)
            for hertz, fall in ((410, 18), (1130, 26), (2270, 40))
        )
        start = index * period
        left, right = max(first, start), min(first + count, start + ring)
        if left < right:
            out[left - first : right - first] += 0.09 * np.asarray(strike)[left - start : right - start]
    return out


def _grain_noise(first: int, count: int, seed: int, low: float, high: float) -> Signal:
    """Band-limited noise of about unit power, made of overlapping grains that each have their own seed."""
    hop = _GRAIN // 2
    window = np.sin(np.pi * (np.arange(_GRAIN) + 0.5) / _GRAIN)
    bins = np.fft.rfftfreq(_GRAIN, 1 / SAMPLE_RATE)
    shape = np.where((bins >= low) & (bins <= high), 1 / np.sqrt(np.maximum(bins, 1.0)), 0.0)
    shape /= np.sqrt(np.sum(shape**2) * 2) / _GRAIN
    out = np.zeros(count)
    for index in range(first // hop - 1, (first + count) // hop + 1):
        rng = np.random.default_rng((seed, index % 1_000_000))
        spectrum = shape * np.exp(2j * np.pi * rng.uniform(0, 1, len(bins)))
        grain = np.fft.irfft(spectrum, _GRAIN) * window
        start = index * hop
        left, right = max(first, start), min(first + count, start + _GRAIN)
        if left < right:
            out[left - first : right - first] += grain[left - start : right - start]
    return out


def to_pcm16(samples: NDArray[np.float64]) -> NDArray[np.int16]:
    return np.asarray(np.round(samples * 32767), dtype=np.int16)


def pack_pcm24(samples: NDArray[np.float64]) -> bytes:
    """Interleaved little-endian 24-bit integers."""
    whole = np.ascontiguousarray(np.round(samples * 8_388_607), dtype="<i4")
    return whole.view(np.uint8).reshape(-1, 4)[:, :3].tobytes()


@dataclass(frozen=True)
class Take:
    """What a recorder writes about itself beside the samples."""

    project: str
    reel: str
    number: int
    description: str
    started: datetime
    """Local wall clock, as the recorder's own clock shows it."""
    first_sample: int
    """Samples since local midnight."""
    tracks: tuple[str, ...]


def write_wave(path: Path, samples: NDArray[np.float64], take: Take) -> None:
    """Write a 48 kHz, 24-bit broadcast wave file. `samples` has shape (count, channels).

    Chunks: `bext` version 1 (EBU Tech 3285), `iXML` (the published iXML specification), `fmt `, `data`.
    """
    channels = samples.shape[1]
    block = channels * 3
    form = struct.pack("<HHIIHH", 1, channels, SAMPLE_RATE, SAMPLE_RATE * block, block, 24)
    body = b"WAVE" + _chunk(b"bext", make_bext(take)) + _chunk(b"iXML", make_ixml(take))
    body += _chunk(b"fmt ", form) + _chunk(b"data", pack_pcm24(samples))
    path.write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)


def _chunk(name: bytes, content: bytes) -> bytes:
    return name + struct.pack("<I", len(content)) + content + b"\0" * (len(content) % 2)


def make_bext(take: Take) -> bytes:
    """The broadcast extension chunk, version 1: fixed ASCII fields, then the coding history (EBU R 98)."""
    channels = {1: "mono", 2: "stereo"}[len(take.tracks)]
    history = f"A=PCM,F={SAMPLE_RATE},W=24,M={channels},T=sound recorder\r\n"
    fixed = struct.pack(
        "<256s32s32s10s8sIIH64s190s",
        take.description.encode("ascii", "replace"),
        b"Sound recorder S",
        f"{take.reel}T{take.number:02d}".encode("ascii"),
        f"{take.started:%Y-%m-%d}".encode("ascii"),
        f"{take.started:%H:%M:%S}".encode("ascii"),
        take.first_sample & 0xFFFFFFFF,
        take.first_sample >> 32,
        1,
        b"",  # no UMID
        b"",  # reserved
    )
    return fixed + history.encode("ascii")


def make_ixml(take: Take) -> bytes:
    tracks = "".join(
        f"<TRACK><CHANNEL_INDEX>{index}</CHANNEL_INDEX><INTERLEAVE_INDEX>{index}</INTERLEAVE_INDEX>"
        f"<NAME>{escape(name)}</NAME></TRACK>"
        for index, name in enumerate(take.tracks, start=1)
    )
    high, low = take.first_sample >> 32, take.first_sample & 0xFFFFFFFF
    text = (
        '<?xml version="1.0" encoding="UTF-8"?>\n<BWFXML><IXML_VERSION>1.61</IXML_VERSION>'
        f"<PROJECT>{escape(take.project)}</PROJECT><TAPE>{escape(take.reel)}</TAPE><TAKE>{take.number}</TAKE>"
        f"<NOTE>{escape(take.description)}</NOTE>"
        "<SPEED><TIMECODE_RATE>25/1</TIMECODE_RATE><TIMECODE_FLAG>NDF</TIMECODE_FLAG>"
        f"<FILE_SAMPLE_RATE>{SAMPLE_RATE}</FILE_SAMPLE_RATE><AUDIO_BIT_DEPTH>24</AUDIO_BIT_DEPTH>"
        f"<TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>{high}</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>"
        f"<TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>{low}</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>"
        f"<TIMESTAMP_SAMPLE_RATE>{SAMPLE_RATE}</TIMESTAMP_SAMPLE_RATE></SPEED>"
        f"<TRACK_LIST><TRACK_COUNT>{len(take.tracks)}</TRACK_COUNT>{tracks}</TRACK_LIST></BWFXML>\n"
    )
    return text.encode("utf-8")
