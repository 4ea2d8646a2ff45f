"""JSON with times as speech recognisers commonly write it: seconds as numbers, segments and words.

Taken: a list of segments, or an object with one under `segments`, or a list of words alone (under `words`,
or as the whole). A segment has `start`, `end`, `text` and may have `speaker` and `words`; a word has `start`,
`end` and `word` or `text`, and may have `confidence`, 0 to 1. Common practice, no source.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from decimal import Decimal, InvalidOperation
from typing import Any

from shared.errors import UsageError
from shared.transcripts.model import MICRO, Cue, Transcript, Word

PAUSE = 800_000  # between two words, in microseconds: a new cue begins. Common practice, no source.
LONGEST = 12  # words in a cue made of single words


def read_spoken_json(text: str, name: str) -> Transcript:
    """Read a whole file. Raises UsageError, naming the place in it, for what it doesn't know."""
    try:
        # Decimals keep 0.1 s what it says.
        whole = json.loads(text, parse_float=Decimal)
    except (json.JSONDecodeError, RecursionError, InvalidOperation) as error:
        raise UsageError(f"no JSON: {error}", path=name, remedy="Export it again.") from error
    fields = whole if isinstance(whole, dict) else {}
    listed = fields.get("segments") if fields else whole
    words = fields.get("words")
    if isinstance(listed, list) and listed and all(isinstance(one, dict) and "word" in one for one in listed):
        listed, words = None, listed
    if isinstance(listed, list):
        cues = [cue for n, one in enumerate(listed) if (cue := _segment(one, f"segments[{n}]", name))]
    elif isinstance(words, list):
        cues = group_words([_word(one, f"words[{n}]", name) for n, one in enumerate(words)])
    else:
        raise UsageError(
            "neither segments nor words in it",
            path=name,
            remedy="A list under `segments` or `words` is read, each with start and end in seconds.",
        )
    language = fields.get("language")
    return Transcript(
        tuple(sorted(cues, key=lambda cue: cue.start)), language if isinstance(language, str) else None
    )


def _segment(one: Any, where: str, name: str) -> Cue | None:
    start, end = _time(one, "start", where, name), _time(one, "end", where, name)
    words = tuple(_word(w, f"{where}.words[{n}]", name) for n, w in enumerate(one.get("words") or ()))
    text = one.get("text")
    if not isinstance(text, str):
        text = " ".join(word.text for word in words)
    if not text.strip() or end <= start:
        return None
    speaker = one.get("speaker")
    return Cue(start, end, text.strip(), speaker if isinstance(speaker, str) and speaker else None, words)


def _word(one: Any, where: str, name: str) -> Word:
    start = _time(one, "start", where, name)
    end = _time(one, "end", where, name) if "end" in one else None
    text = one.get("word", one.get("text"))
    if not isinstance(text, str):
        raise _unknown(f"{where} has no `word`", name)
    return Word(start, end, text.strip(), _confidence(one.get("confidence")))


def _confidence(value: Any) -> float | None:
    """What is no share of one is another program's own measure, and says nothing here."""
    if isinstance(value, bool) or not isinstance(value, int | Decimal) or not 0 <= value <= 1:
        return None
    return float(value)


def group_words(words: Sequence[Word]) -> list[Cue]:
    """Cues of single words: a new one after a pause, the end of a sentence, or twelve words."""
    cues: list[Cue] = []
    run: list[Word] = []
    for word in sorted(words, key=lambda one: one.start):
        ended = run[-1].end if run and run[-1].end is not None else None
        pause = ended is not None and word.start - ended >= PAUSE
        if run and (pause or len(run) >= LONGEST or run[-1].text.endswith((".", "?", "!"))):
            cues.append(_of_words(run))
            run = []
        run.append(word)
    return [*cues, _of_words(run)] if run else cues


def _of_words(run: Sequence[Word]) -> Cue:
    end = run[-1].end if run[-1].end is not None else run[-1].start + 300_000
    return Cue(run[0].start, max(end, run[0].start + 1000), " ".join(w.text for w in run), None, tuple(run))


def _time(one: Any, key: str, where: str, name: str) -> int:
    value = one.get(key) if isinstance(one, Mapping) else None
    if isinstance(value, bool) or not isinstance(value, int | Decimal) or not math.isfinite(value):
        raise _unknown(f"{where} has no `{key}` in seconds", name)
    if not 0 <= value < 10_000_000:
        raise _unknown(f"{where}: {key} {value} s is no time in a recording", name)
    return round(Decimal(value) * MICRO)


def _unknown(what: str, name: str) -> UsageError:
    return UsageError(what, path=name, remedy="Times are numbers of seconds since the start of the media.")
