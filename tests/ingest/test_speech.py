"""Listening to clips: real speech of a synthesiser, the recogniser's real loading code, kills, other models.

The outside: eSpeak NG says which words it spoke and when each began; the recogniser is the library's own.
"""

from __future__ import annotations

import json
import math
import os
import shutil
import socket
import subprocess
import sys
import wave
from difflib import SequenceMatcher
from fractions import Fraction
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import ingest.speech.recognise as recogniser
from ingest.sound.measure import Recording
from ingest.speech.kept import Kept, Window
from ingest.speech.model import SpeechModel, find_model
from ingest.speech.recognise import HeardWord, forget, kept_path, recognise
from ingest.speech.windows import LEAST_SECONDS, MOST_SECONDS, cut_after, is_silent, to_pcm
from shared.errors import MediaError, UsageError
from shared.settings import Settings, load_settings

ROOT = Path(__file__).parents[2]
SPEECH = ROOT / "sample_media" / "speech"
needs_recogniser = pytest.mark.skipif(
    find_spec("pocketsphinx") is None, reason="pocketsphinx (the extra `speech`) is not installed"
)
RATE = 16_000


# -- a model from the library's own, with the few words of the test -----------------------------------------


def words_of(name: str) -> list[tuple[str, float]]:
    """What the synthesiser said, from the WebVTT that it made: each word and the second at which it began."""
    from shared.transcripts import read_transcript

    path = SPEECH / f"{name}.vtt"
    cues = read_transcript(path.read_bytes(), path.name).cues
    return [
        (text, word.start / 1e6)
        for cue in cues
        for word in cue.words
        for text in [word.text.lower().strip(".,")]
    ]


def write_language(path: Path, sentences: list[list[str]]) -> None:
    """A bigram language model in the ARPA format (published with the toolkits that read it), these alone."""
    words = sorted({word for sentence in sentences for word in sentence})
    singles = ["<s>", "</s>", *words]
    pairs = sorted({pair for one in sentences for pair in zip(["<s>", *one], [*one, "</s>"], strict=True)})
    lines = ["\\data\\", f"ngram 1={len(singles)}", f"ngram 2={len(pairs)}", "", "\\1-grams:"]
    lines += [f"{-math.log10(len(singles)):.4f} {word} -4.0" for word in singles]
    lines += ["", "\\2-grams:", *(f"-0.2 {one} {other}" for one, other in pairs), "", "\\end\\", ""]
    path.write_text("\n".join(lines))


@pytest.fixture(scope="module")
def model_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The acoustic model and dictionary inside the library's package, and a language model of few words."""
    from pocketsphinx import get_model_path

    folder = tmp_path_factory.mktemp("model")
    shipped = Path(get_model_path("en-us"))
    (folder / "sounds").mkdir()
    for file in (shipped / "en-us").iterdir():
        (folder / "sounds" / file.name).symlink_to(file)
    spoken = " ".join(text for text, _ in words_of("nell"))
    write_language(folder / "few.lm", [spoken.split()])
    known = (shipped / "cmudict-en-us.dict").read_text(encoding="utf-8").splitlines()
    few = [line for line in known if line.split("(")[0].split()[0] in spoken.split()]
    (folder / "en.dict").write_text("\n".join([*few, "harrowby HH EH R OW B IY", ""]), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def model(model_folder: Path) -> SpeechModel:
    return find_model(model_folder)


@pytest.fixture
def home(tmp_path: Path) -> Settings:
    return load_settings(home=tmp_path / "home")


def interview() -> Recording:
    return Recording(((SPEECH / "nell.flac", Fraction(0)),), Fraction("9.4"))


@pytest.fixture(scope="module")
def long_sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The interview, a long silence, and the interview again: two windows, cut in the silence."""
    import av

    with av.open(str(SPEECH / "nell.flac")) as source:
        whole = np.concatenate([frame.to_ndarray().reshape(-1) for frame in source.decode(audio=0)])
    sound = np.concatenate([whole, np.zeros(int(13.5 * RATE), np.int16), whole])
    path = tmp_path_factory.mktemp("long") / "take.wav"
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE)
        file.writeframes(sound.tobytes())
    return path


def seconds_of(path: Path) -> Fraction:
    with wave.open(str(path), "rb") as file:
        return Fraction(file.getnframes(), file.getframerate())


# -- end to end -----------------------------------------------------------------------------------------


@needs_recogniser
def test_spoken_words_are_heard_at_their_times(model: SpeechModel, home: Settings) -> None:
    """The synthesiser's own list of words is the judge. With a language model of these sentences alone, so
    that what is tested is this program's part: the right sound, to the right place, in the right words."""
    heard = recognise(interview(), ["a"], model, home)
    spoken = words_of("nell")
    same = SequenceMatcher(None, [text for text, _ in spoken], [word.text for word in heard], autojunk=False)
    pairs = [
        (spoken[block.a + n], heard[block.b + n])
        for block in same.get_matching_blocks()
        for n in range(block.size)
    ]
    assert len(pairs) >= 0.9 * len(spoken), [word.text for word in heard]
    for (text, began), word in pairs:
        # Where a word begins is a matter of opinion between two programs by about a syllable.
        assert abs(word.start / 1e6 - began) < 0.2, (text, word.start, began)
    assert all(0 <= word.confidence <= 1 and word.start < word.end <= 9_400_000 for word in heard)


@needs_recogniser
def test_killed_it_goes_on_where_it_was(
    long_sound: Path, model: SpeechModel, home: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    recording = Recording(((long_sound, Fraction(0)),), seconds_of(long_sound))
    told: list[Fraction] = []

    class StoppedError(Exception):
        pass

    def stop(done: Fraction) -> None:
        told.append(done)
        if done > 0:
            raise StoppedError

    with pytest.raises(StoppedError):
        recognise(recording, ["long"], model, home, stop)
    assert len(told) == 2 and LEAST_SECONDS <= told[-1] <= MOST_SECONDS
    # A kill in the middle of a write leaves half a line.
    kept = kept_path(["long"], model, home)
    with kept.open("ab") as file:
        file.write(b'{"from": 123, "to"')
    asked: list[int] = []
    listen = recogniser._listen

    def count(recording: Recording, model: SpeechModel, home: Settings, at: int, length: int) -> Any:
        asked.append(at)
        return listen(recording, model, home, at, length)

    monkeypatch.setattr(recogniser, "_listen", count)
    rest: list[Fraction] = []
    heard = recognise(recording, ["long"], model, home, rest.append)
    assert asked == [int(told[-1] * 1_000_000)] and rest[0] == told[-1], "the first window is not heard again"
    assert rest[-1] >= recording.seconds - Fraction(1, 100)
    assert [word.start for word in heard] == sorted(word.start for word in heard)
    early, late = (
        [word.text for word in heard if (word.start < 10_000_000) is first] for first in (True, False)
    )
    assert set(late) >= {"nell", "ferry", "thirty", "river"} and set(early) >= {
        "nell",
        "ferry",
        "thirty",
        "river",
    }
    assert recognise(recording, ["long"], model, home) == heard and len(asked) == 1, "all of it is kept"
    forget(["long"], model, home)
    assert not kept.exists()


@needs_recogniser
def test_another_model_or_another_file_begins_anew(model: SpeechModel, home: Settings) -> None:
    other = SpeechModel(model.acoustic, model.language, model.words, "another")
    paths = {kept_path(*about, home) for about in ((["a"], model), (["b"], model), (["a"], other))}
    assert len(paths) == 3


@needs_recogniser
def test_what_can_not_be_loaded_or_heard_is_said(model: SpeechModel, home: Settings, tmp_path: Path) -> None:
    broken = tmp_path / "broken.lm"
    broken.write_bytes(b"no model")
    bad = SpeechModel(model.acoustic, broken, model.words, "bad")
    with pytest.raises(MediaError, match="model can't be loaded"):
        recognise(interview(), ["a"], bad, home)
    silent = Recording(((broken, Fraction(0)),), Fraction("9.4"))
    with pytest.raises(MediaError):
        recognise(silent, ["b"], model, home)


@needs_recogniser
def test_it_needs_no_network_and_gets_none(model: SpeechModel, home: Settings) -> None:
    """In a network name space of its own, without even a loopback, it hears the same (Linux, unshare(1))."""
    unshare = ["unshare", "--net", "--map-root-user"]
    if shutil.which("unshare") is None or subprocess.run([*unshare, "true"], capture_output=True).returncode:
        pytest.skip("this machine gives no network name space")
    request = {
        "parts": [[os.fsencode(SPEECH / "nell.flac").hex(), 0.0]],
        "model": {
            name: os.fsencode(getattr(model, name)).hex() for name in ("acoustic", "language", "words")
        },
        "from": 0,
        "length": 9_400_000,
    }  # fmt: skip
    done = subprocess.run(
        [*unshare, sys.executable, "-m", "ingest.speech.child", "2048", "60"],
        input=json.dumps(request).encode(), capture_output=True, cwd=ROOT, timeout=60,
    )  # fmt: skip
    first, last = map(json.loads, done.stdout.splitlines())
    assert {"nell", "ferry", "thirty", "river"} <= {word[2] for word in first["words"]}
    assert last == {"done": True}


def test_the_child_can_make_no_socket() -> None:
    code = (
        "from ingest.media.limits import refuse_sockets\n"
        "import socket\n"
        "refuse_sockets()\n"
        "for make in (socket.socket, lambda: socket.create_connection(('localhost', 9)),\n"
        "             lambda: socket.getaddrinfo('localhost', 9)):\n"
        "    try: make()\n"
        "    except OSError as error: assert 'may not use the network' in str(error), error\n"
        "    else: raise SystemExit('a socket was made')\n"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    socket.socket().close()  # and this process still can


# -- answers of a child that was taken over ------------------------------------------------------------------


@pytest.mark.parametrize(
    "line",
    [
        b"", b"{}", b"[]", b"null", b'{"from":0,"to":0,"words":[]}', b'{"from":5,"to":9,"words":[]}',
        b'{"from":0,"to":99,"words":[]}', b'{"from":0,"to":9.5,"words":[]}',
        b'{"from":0,"to":9,"words":[[0,5,"a",2.0]]}', b'{"from":0,"to":9,"words":[[0,5,"a",NaN]]}',
        b'{"from":0,"to":9,"words":[[5,5,"a",1.0]]}', b'{"from":0,"to":9,"words":[[0,12,"a",1.0]]}',
        b'{"from":0,"to":9,"words":[[0,5,"a\\u001b[2J",1.0]]}', b'{"from":0,"to":9,"words":[[0,5,7,1.0]]}',
        b'{"from":0,"to":9,"words":[[0,5,"",1.0]]}', b'{"from":0,"to":9,"words":7}',
    ],
)  # fmt: skip
def test_answers_without_sense_are_refused(line: bytes) -> None:
    with pytest.raises(MediaError, match="no sensible answer"):
        recogniser._read(line, 0, 9 if b"99" not in line else 90)


def test_a_sound_answer_is_read() -> None:
    line = b'{"from":0,"to":9,"words":[[0,5,"chain",0.5]]}'
    assert recogniser._read(line, 0, 9) == Window(0, 9, ((0, 5, "chain", 0.5),))
    assert recogniser._read(b'{"done":true}', 0, 9) is None
    with pytest.raises(MediaError, match="it is broken"):
        recogniser._read(b'{"error":"it is\\u0007 broken"}', 0, 9)


# -- what is kept --------------------------------------------------------------------------------


@given(st.integers(0, 400))
@settings(max_examples=50, deadline=None)
def test_a_torn_file_gives_whole_windows_and_takes_more(
    tmp_path_factory: pytest.TempPathFactory, cut: int
) -> None:
    path = tmp_path_factory.mktemp("kept") / "a.jsonl"
    windows = [Window(n * 10, n * 10 + 10, ((n * 10, n * 10 + 5, f"w{n}", 0.5),)) for n in range(5)]
    kept = Kept(path)
    for window in windows:
        kept.add(window)
    content = path.read_bytes()
    path.write_bytes(content[:cut])
    found = Kept(path).read()
    whole = content[:cut].count(b"\n")
    assert found == windows[:whole]
    again = Kept(path)
    again.read()
    for window in windows[whole:]:
        again.add(window)
    again.finish()
    last = Kept(path)
    assert last.read() == windows and last.whole


# -- windows ---------------------------------------------------------------------------------------------


def test_the_cut_is_in_the_pause() -> None:
    rng = np.random.default_rng(1)
    loud = rng.normal(0, 0.1, 40 * RATE).astype(np.float32)
    for pause in (10.5, 17.0, 28.9):
        signal = loud.copy()
        signal[int(pause * RATE) : int((pause + 0.4) * RATE)] *= 0.01
        at = cut_after(signal, RATE) / RATE
        assert pause <= at <= pause + 0.4, (pause, at)
    assert cut_after(loud[: MOST_SECONDS * RATE], RATE) == MOST_SECONDS * RATE


@given(st.floats(0, 1, width=32))
def test_levels_come_out_at_seventy_percent(level: float) -> None:
    signal = np.array([0, level, -level / 2], np.float32)
    pcm = np.frombuffer(to_pcm(signal), "<i2")
    assert pcm.max(initial=0) == (round(0.7 * 32767) if level > 1e-9 else 0)
    assert is_silent(signal) == (level < 10 ** (-66 / 20))


# -- the model's folder -----------------------------------------------------------------------------------


def test_what_is_no_model_is_refused_with_the_reason(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no such folder"):
        find_model(tmp_path / "nowhere")
    with pytest.raises(UsageError, match="no acoustic model"):
        find_model(tmp_path)
    (tmp_path / "sounds").mkdir()
    (tmp_path / "sounds" / "mdef").touch()
    (tmp_path / "one.lm.bin").write_bytes(b"1")
    (tmp_path / "one-phone.lm.bin").write_bytes(b"2")
    with pytest.raises(UsageError, match="no dictionary"):
        find_model(tmp_path)
    (tmp_path / "one.dict").write_text("a AH\n")
    found = find_model(tmp_path)
    assert (found.acoustic, found.language.name) == (tmp_path / "sounds", "one.lm.bin"), "words, not phones"
    (tmp_path / "sounds" / "mdef").write_bytes(b"other")
    assert find_model(tmp_path).fingerprint != found.fingerprint
    (tmp_path / "two.lm").write_bytes(b"3")
    with pytest.raises(UsageError, match=r"more than one language model in it: one\.lm\.bin, two\.lm"):
        find_model(tmp_path)


@needs_recogniser
def test_the_model_inside_the_librarys_package_is_found() -> None:
    from pocketsphinx import get_model_path

    found = find_model(Path(get_model_path("en-us")))
    assert (found.acoustic.name, found.language.name) == ("en-us", "en-us.lm.bin")


def test_words_become_cues() -> None:
    from api.cli.recognise import cues_of

    heard = [HeardWord(n * 300_000, n * 300_000 + 250_000, f"w{n}", 0.5) for n in range(3)]
    heard.append(HeardWord(3_000_000, 3_200_000, "later", 0.5))
    assert [cue.text for cue in cues_of(heard)] == ["w0 w1 w2", "later"]
