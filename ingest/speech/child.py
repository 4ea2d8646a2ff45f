"""The process that listens: decodes a clip's sound and recognises words, under limits; one clip and it ends.

Run as `python -m ingest.speech.child MEMORY_MIB SECONDS`: a JSON object on standard input, a JSON line on
standard output for each window that is done. It opens no socket: none can be made in it.
"""

from __future__ import annotations

import json
import os
import re
import signal
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Any

from ingest.media.limits import limit_this_process, no_new_files, refuse_sockets
from shared.errors import MediaError

_MICRO = 1_000_000
_VARIANT = re.compile(r"\(\d+\)$")  # which of a word's pronunciations was heard


def main() -> None:
    memory_mib, seconds = int(sys.argv[1]), int(sys.argv[2])
    signal.alarm(seconds)  # not caught, so it ends the process, whatever becomes of the parent
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # a C library that prints must not meet the answer
    limit_this_process(memory_mib)
    refuse_sockets()
    request = json.load(sys.stdin.buffer)
    try:
        for answer in listen(request):
            _say(answers, answer)
    except MediaError as error:
        _say(answers, {"error": error.message})
    except MemoryError:
        _say(answers, {"error": "listening to it takes more memory than is allowed"})


def _say(answers: IO[bytes], words: dict[str, Any]) -> None:
    answers.write(json.dumps(words).encode() + b"\n")
    answers.flush()


def listen(request: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """A window at a time from `from` on: `{"from", "to", "words": [[start, end, text, confidence]]}`, times
    in microseconds since the clip's beginning; at the end `{"done": true}`. Raises MediaError.
    """
    # After the limits, which are to count what these reserve.
    from ingest.sound.decode import Part, decode_parts
    from ingest.speech.windows import MOST_SECONDS, cut_after, is_silent, to_pcm

    decoder = _load(request["model"])
    rate = int(decoder.config["samprate"])
    files = [Part(Path(os.fsdecode(bytes.fromhex(path))), float(start)) for path, start in request["parts"]]
    at, end = int(request["from"]), int(request["length"])
    heard = at > 0
    while at < end:
        seconds = at / _MICRO
        try:
            # More than the longest window, so that the cut is chosen and is not where this ends.
            sound = decode_parts(files, rate, seconds, min(end / _MICRO, seconds + 1.5 * MOST_SECONDS))
        except MediaError:
            # A header may promise more than there is; a clip of which nothing decodes has no words at all.
            if not heard:
                raise
            break
        heard = True
        window = sound[: cut_after(sound, rate)]
        # In whole samples, so that a run that goes on here cuts at the same places.
        until = min(end, at + max(1, len(window) * _MICRO // rate))
        words = [] if is_silent(window) else _recognise(decoder, to_pcm(window), at, until)
        yield {"from": at, "to": until, "words": words}
        at = until
    yield {"done": True}


def _load(model: dict[str, str]) -> Any:
    """Raises MediaError for a model that the recogniser does not take."""
    from pocketsphinx import Decoder

    paths = {name: os.fsdecode(bytes.fromhex(path)) for name, path in model.items()}
    try:
        return Decoder(hmm=paths["acoustic"], lm=paths["language"], dict=paths["words"], loglevel="FATAL")
    except (RuntimeError, ValueError, KeyError) as error:
        raise MediaError("the speech model can't be loaded") from error


def _recognise(decoder: Any, pcm: bytes, at: int, until: int) -> list[list[Any]]:
    with no_new_files():
        decoder.start_utt()
        decoder.process_raw(pcm, full_utt=True)
        decoder.end_utt()
        pieces = list(decoder.seg() or ())
    frame = _MICRO // int(decoder.config["frate"])
    found = []
    for piece in pieces:
        text = _VARIANT.sub("", piece.word)
        start = at + piece.start_frame * frame
        end = min(until, at + (piece.end_frame + 1) * frame)
        if not text.startswith(("<", "[", "+")) and start < end:  # silence, noise, breath
            found.append([start, end, text, max(0.0, min(1.0, float(piece.prob)))])
    return found


if __name__ == "__main__":
    main()
