"""The recipe of the spoken interviews: makes `speech/*.flac` and `speech/*.vtt` anew, with eSpeak NG.

    python -m sample_media.speak

Needs Debian's `espeak-ng` (1.51 made the files that are kept here) and is only needed when the words change:
the files are small and kept, so the cards are made without it. The words are invented for this film, and so
are the people; the voices are the synthesiser's own.
"""

from __future__ import annotations

import ctypes
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import av
import numpy as np
from av.audio.stream import AudioStream
from numpy.typing import NDArray

from sample_media.sound import SPEECH_RATE

FOLDER = Path(__file__).with_name("speech")
_PAUSE = 0.45  # between two sentences, in seconds
_LIBRARY = "libespeak-ng.so.1"
# The library's own numbers, from its header speak_lib.h.
_RETRIEVAL, _UTF8, _RATE, _PITCH = 1, 1, 1, 3
_LIST_TERMINATED, _WORD = 0, 1


@dataclass(frozen=True)
class Speaker:
    name: str
    voice: str
    words_a_minute: int
    pitch: int
    sentences: tuple[str, ...]


SPEAKERS = {
    "nell": Speaker(
        "Nell Harrowby",
        "en-us+f2",
        150,
        42,
        (
            "My name is Nell Harrowby.",
            "I have taken this ferry across for thirty years.",
            "You never cross the same river, but you always cross it here.",
        ),
    ),
    "juergen": Speaker(
        "Jürgen Vasswell",
        "en-us+m1",
        150,
        38,
        (
            "The chain lies on the river bed.",
            "The boat does not follow it.",
            "It climbs along it, link by link.",
        ),
    ),
}


@dataclass(frozen=True)
class Said:
    """A sentence as it was spoken: its samples, and for each word its text and its first sample. Small words
    that run into the one before ("of the") are spoken, and timed, as one with it."""

    samples: NDArray[np.int16]
    words: tuple[tuple[str, int], ...]


class _Event(ctypes.Structure):
    """`espeak_EVENT` of speak_lib.h."""

    _fields_ = (
        ("type", ctypes.c_int),
        ("unique_identifier", ctypes.c_uint),
        ("text_position", ctypes.c_int),
        ("length", ctypes.c_int),
        ("audio_position", ctypes.c_int),  # milliseconds
        ("sample", ctypes.c_int),
        ("user_data", ctypes.c_void_p),
        ("id", ctypes.c_char * 8),
    )


_Callback = ctypes.CFUNCTYPE(
    ctypes.c_int, ctypes.POINTER(ctypes.c_short), ctypes.c_int, ctypes.POINTER(_Event)
)


class Synthesiser:
    """eSpeak NG, handing over samples and the beginning of each word. Raises OSError where it is missing."""

    def __init__(self) -> None:
        self._library = ctypes.CDLL(_LIBRARY)
        self.rate = self._library.espeak_Initialize(_RETRIEVAL, 0, None, 0)
        if self.rate <= 0:
            raise OSError("the synthesiser can't start: is its data (espeak-ng-data) installed?")

    def say(self, speaker: Speaker, sentence: str) -> Said:
        pieces: list[NDArray[np.int16]] = []
        begun: dict[int, int] = {}  # by the place in the sentence: the sample

        def hear(wave: ctypes._Pointer[ctypes.c_short], count: int, events: ctypes._Pointer[_Event]) -> int:
            if wave and count:
                pieces.append(np.ctypeslib.as_array(wave, (count,)).copy())
            at = 0
            while events[at].type != _LIST_TERMINATED:
                event = events[at]
                place = event.text_position - 1
                # At the end it may tell of earlier words again, and of the blank after the last.
                if event.type == _WORD and place > max(begun, default=-1) and sentence[place] != " ":
                    begun[place] = event.audio_position * self.rate // 1000
                at += 1
            return 0

        callback = _Callback(hear)
        self._library.espeak_SetSynthCallback(callback)
        self._library.espeak_SetVoiceByName(speaker.voice.encode())
        self._library.espeak_SetParameter(_RATE, speaker.words_a_minute, 0)
        self._library.espeak_SetParameter(_PITCH, speaker.pitch, 0)
        text = sentence.encode()
        self._library.espeak_Synth(text, len(text) + 1, 0, 1, 0, _UTF8, None, None)
        self._library.espeak_Synchronize()
        samples = np.concatenate(pieces)
        loud = np.flatnonzero(np.abs(samples) > 40)
        ends = [*list(begun)[1:], len(sentence)]
        words = (
            (sentence[first:end].strip(), at) for (first, at), end in zip(begun.items(), ends, strict=True)
        )
        return Said(samples[: int(loud[-1]) + 1], tuple(words))


def make(name: str, folder: Path, synthesiser: Synthesiser) -> None:
    """Write `name`.flac and `name`.vtt."""
    speaker = SPEAKERS[name]
    said = [synthesiser.say(speaker, sentence) for sentence in speaker.sentences]
    pause = np.zeros(int(_PAUSE * synthesiser.rate), np.int16)
    starts = np.cumsum([0, *(len(one.samples) + len(pause) for one in said)])
    whole = np.concatenate([part for one in said for part in (one.samples, pause)])[: -len(pause)]
    _write_flac(folder / f"{name}.flac", whole, synthesiser.rate)
    text = "\n".join(_cues(speaker, said, starts.tolist(), synthesiser.rate))
    (folder / f"{name}.vtt").write_text(text, encoding="utf-8", newline="\n")


def _cues(speaker: Speaker, said: Sequence[Said], starts: Sequence[int], rate: int) -> Iterator[str]:
    """WebVTT (W3C) with the time of each word inside its cue."""
    yield "WEBVTT\nLanguage: en\n"
    yield "NOTE Invented words of invented people, spoken by eSpeak NG; see speak.py.\n"
    for one, start in zip(said, starts, strict=False):  # the last start is the end
        end = start + len(one.samples)
        words = " ".join(f"<{_clock(start + first, rate)}>{text}" for text, first in one.words)
        yield f"{_clock(start, rate)} --> {_clock(end, rate)}\n<v {speaker.name}>{words}\n"


def _clock(sample: int, rate: int) -> str:
    milliseconds = round(sample * 1000 / rate)
    return f"00:{milliseconds // 60_000:02d}:{milliseconds // 1000 % 60:02d}.{milliseconds % 1000:03d}"


def _write_flac(path: Path, samples: NDArray[np.int16], rate: int) -> None:
    """One channel at SPEECH_RATE, 16 bits, without the writer's version in it."""
    with av.open(str(path), "w", format="flac", options={"fflags": "+bitexact"}) as container:
        stream = container.add_stream("flac", rate=SPEECH_RATE, layout="mono")
        assert isinstance(stream, AudioStream)
        stream.codec_context.flags |= av.codec.context.Flags.bitexact
        stream.codec_context.options = {"compression_level": "12"}
        resampler = av.AudioResampler(format="s16", layout="mono", rate=SPEECH_RATE)
        frame = av.AudioFrame.from_ndarray(samples.reshape(1, -1), format="s16", layout="mono")
        frame.sample_rate = rate
        for ready in (*resampler.resample(frame), *resampler.resample(None)):
            ready.pts = None
            container.mux(stream.encode(ready))
        container.mux(stream.encode(None))


def main(folder: Path = FOLDER) -> None:
    synthesiser = Synthesiser()  # one for all: it can't be started twice
    for name in SPEAKERS:
        make(name, folder, synthesiser)


if __name__ == "__main__":
    main(*map(Path, sys.argv[1:2]))
