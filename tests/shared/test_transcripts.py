"""Transcripts in each format against what the formats' documents say, and back again.

WebVTT: W3C, "WebVTT: The Web Video Text Tracks Format"; the samples are written after its section on syntax.
SRT, plain text and JSON: common practice, no source.
"""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shared.errors import UsageError
from shared.timecode import Rate, Timecode
from shared.transcripts import Cue, Transcript, Word, read_transcript, write_srt, write_text, write_webvtt
from shared.transcripts.model import frame_start, nearest_frame
from shared.transcripts.read import format_of

RATES = [Rate.parse(text) for text in ("23.976", "24", "25", "29.97", "30", "50", "59.94", "60")]

WEBVTT = """\ufeffWEBVTT - The ferry
Language: en

STYLE
::cue { color: lime }

NOTE this is
no cue

1
00:11.000 --> 00:13.000 align:start position:10%
<v Mara Tidewell>Ebb at <i>seven</i> &amp; <c.loud>not</c> at eight

00:01:14.500 --> 00:01:16.000
<v.first.loud Ada>Two voices,</v>
<v Ben>one cue

first words
01:00:00.000 --> 01:00:01.250
a &lt;b&gt; c
second line

00:20.000 --> 00:19.000
never

xx:yy --> 00:00:02.000
never
"""


def read(text: str, name: str = "talk.vtt") -> Transcript:
    return read_transcript(text.encode(), name)


def test_webvtt_is_read_as_the_standard_has_it() -> None:
    found = read(WEBVTT)
    assert found.language == "en"
    assert [(c.start, c.end, c.speaker, c.text) for c in found.cues] == [
        (11_000_000, 13_000_000, "Mara Tidewell", "Ebb at seven & not at eight"),
        (74_500_000, 76_000_000, "Ada", "Two voices,"),
        (74_500_000, 76_000_000, "Ben", "one cue"),
        (3_600_000_000, 3_601_250_000, None, "a <b> c\nsecond line"),
    ]
    assert found.speakers == ("Mara Tidewell", "Ada", "Ben")
    assert [w.split(":")[0] for w in found.warnings] == ["line 23", "line 26"]


def test_times_inside_a_webvtt_cue_are_words() -> None:
    (cue,) = read("WEBVTT\n\n00:01.000 --> 00:04.000\nnow <00:02.000>the <00:02.500>chain\n").cues
    assert cue.text == "now the chain"
    assert cue.words == (Word(2_000_000, 2_500_000, "the"), Word(2_500_000, None, "chain"))


@pytest.mark.parametrize("ends", ["\n", "\r\n", "\r"])
def test_every_line_end_of_the_standard_is_one(ends: str) -> None:
    assert read(WEBVTT.replace("\n", ends)).cues == read(WEBVTT).cues


def test_srt_is_read_with_what_programs_write_into_it() -> None:
    found = read(
        "1\n00:00:01,500 --> 00:00:02,000\n<i>The chain</i>\nholds.\n\n"
        "2\n0:00:03.5 --> 0:00:04.25\n{\\an8}Dots and short numbers\n\nno times here\n\n"
        "00:00:09,000 --> 00:00:10,000\nNo number\n",
        "talk.srt",
    )
    assert [(c.start, c.end, c.text) for c in found.cues] == [
        (1_500_000, 2_000_000, "The chain\nholds."),
        (3_500_000, 4_250_000, "Dots and short numbers"),
        (9_000_000, 10_000_000, "No number"),
    ]
    assert found.warnings == ("line 10: no readable times; left out",)


def test_plain_lines_with_times_are_read() -> None:
    found = read(
        "Interview with the ferrywoman\n00:00:10 Ranger: The chain is older\nthan the boat.\n"
        "[1:15.5] - Yes.\n(01:02:03) End\n",
        "talk.txt",
    )
    assert [(c.start, c.end, c.speaker, c.text) for c in found.cues] == [
        (10_000_000, 75_500_000, "Ranger", "The chain is older\nthan the boat."),
        (75_500_000, 3_723_000_000, None, "Yes."),
        (3_723_000_000, 3_728_000_000, None, "End"),
    ]
    with pytest.raises(UsageError, match="line 2") as caught:
        read("00:10 a\n00:09 b\n", "talk.txt")
    assert caught.value.path == "talk.txt"


SEGMENTS = [
    {
        "start": 0.1,
        "end": 1.3,
        "text": " The chain",
        "speaker": "A",
        "words": [{"word": "The", "start": 0.1, "end": 0.3}, {"word": "chain", "start": 0.35, "end": 1.3}],
    },
    {"start": 2, "end": 3, "text": "holds."},
]


@pytest.mark.parametrize("whole", [SEGMENTS, {"language": "en", "segments": SEGMENTS}])
def test_segments_of_a_recogniser_are_read_exactly(whole: object) -> None:
    found = read(json.dumps(whole), "talk.json")
    assert [(c.start, c.end, c.text, c.speaker) for c in found.cues] == [
        (100_000, 1_300_000, "The chain", "A"),
        (2_000_000, 3_000_000, "holds.", None),
    ]
    assert found.cues[0].words == (Word(100_000, 300_000, "The"), Word(350_000, 1_300_000, "chain"))


@pytest.mark.parametrize("key", ["word", "text"])
def test_words_alone_become_cues_at_pauses_and_sentences(key: str) -> None:
    spoken = [("The", 0, 0.2), ("end.", 0.2, 0.5), ("Then", 0.6, 0.8), ("a", 0.8, 0.9), ("pause", 2.0, 2.4)]
    words = [{key: text, "start": start, "end": end} for text, start, end in spoken]
    found = read(json.dumps({"words": words}), "talk.json")
    assert [c.text for c in found.cues] == ["The end.", "Then a", "pause"]
    assert (found.cues[1].start, found.cues[1].end) == (600_000, 900_000)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "no transcript"),
        (b"just words\n", "no transcript"),
        (b"WEBVTT\n", "no timed words"),
        (b"{}", "neither segments nor words"),
        (b'{"segments": [{"start": "1", "end": 2, "text": "a"}]}', r"segments\[0\] has no `start`"),
        (b'{"segments": [{"start": NaN, "end": 2, "text": "a"}]}', r"segments\[0\] has no `start`"),
        (b'{"segments": [{"start": -1, "end": 2, "text": "a"}]}', "no time in a recording"),
        (b'{"segments": [{"start": true, "end": 2, "text": "a"}]}', r"segments\[0\] has no `start`"),
        (b'{"words": [{"start": 0, "end": 1}]}', r"words\[0\] has no `word`"),
        (b"[" * 100_000, "no JSON"),
        (b'{"segments": [', "no JSON"),
        (b"WEBVTT\n\n00:01.000 --> 00:02.000\n\xff\n", "no utf-8"),
    ],
)
def test_what_is_no_transcript_is_refused_by_name(content: bytes, says: str) -> None:
    with pytest.raises(UsageError, match=says) as caught:
        read_transcript(content, "talk")
    assert caught.value.path == "talk" and caught.value.remedy


def test_an_encoding_is_named_and_never_guessed() -> None:
    text = "00:00:01 Fähre\n"
    assert read_transcript(text.encode("utf-16"), "a").cues[0].text == "Fähre"
    assert read_transcript(text.encode("latin-1"), "a", "latin-1").cues[0].text == "Fähre"
    with pytest.raises(UsageError, match="no such encoding"):
        read_transcript(b"a", "a", "nonsense")


# --- exact times ------------------------------------------------------------------------------------------


def test_an_hour_counted_at_2997_non_drop_is_3603_point_6_seconds() -> None:
    """SMPTE ST 12-1: 108,000 frames of 1001/30000 s."""
    hour = Timecode.parse("01:00:00:00", Rate.parse("29.97"), drop_frame=False)
    assert frame_start(hour.frames, Rate.parse("29.97")) == 3_603_600_000
    assert nearest_frame(3_603_600_000, Rate.parse("29.97")) == 108_000
    assert nearest_frame(3_603_600_000, Rate.parse("23.976")) == 86_400


@given(st.sampled_from(RATES), st.integers(0, 24 * 3600 * 60), st.integers(1, 100_000))
@settings(max_examples=300)
def test_a_range_of_frames_comes_back_from_milliseconds(rate: Rate, first: int, length: int) -> None:
    cue = Cue(frame_start(first, rate), frame_start(first + length, rate), "words", "A")
    for text, name in ((write_webvtt([cue]), "a.vtt"), (write_srt([cue]), "a.srt")):
        (back,) = read(text, name).cues
        assert back.frames(rate) == (first, first + length)
        assert back.frames(rate, offset=7) == (first + 7, first + length + 7)


def test_a_rounded_second_carries() -> None:
    cue = Cue(59_999_500, 3_599_999_500, "over")
    assert "00:01:00.000 --> 01:00:00.000" in write_webvtt([cue])


SAID = st.text(
    st.characters(exclude_categories=("Cs", "Cc", "Zl", "Zp"), exclude_characters="\x85\u00a0"), min_size=1
).map(lambda text: " ".join(text.split()))


@given(
    st.lists(st.tuples(st.integers(0, 10**8), SAID.filter(bool), SAID | st.none()), min_size=1, max_size=6)
)
@settings(max_examples=150)
def test_any_words_and_speakers_survive_webvtt(said: list[tuple[int, str, str | None]]) -> None:
    cues = [Cue(t * 1000, t * 1000 + 500_000, words, who or None) for t, words, who in said]
    back = read(write_webvtt(cues, "en")).cues
    assert list(back) == sorted(cues, key=lambda cue: cue.start)


@given(st.binary(max_size=300) | st.text(max_size=300).map(str.encode))
@settings(max_examples=300)
def test_no_bytes_break_the_reading(content: bytes) -> None:
    for head in (b"", b"WEBVTT\n\n", b"[", b"00:00:01,000 --> 00:00:02,000\n"):
        try:
            found = read_transcript(head + content, "a")
        except UsageError:
            continue
        assert all(0 <= cue.start < cue.end for cue in found.cues)


def test_text_says_time_speaker_and_words() -> None:
    assert write_text([Cue(61_500_000, 62_000_000, "The\nchain", "Ada")]) == "00:01:01.500 Ada: The chain\n"
    assert format_of("[00:00:01] words\n") == "text"
    assert format_of('[{"start": 1}]') == "json"
