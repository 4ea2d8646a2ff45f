"""Columns give back what was put in, in order, whatever it was."""

from __future__ import annotations

import os
from contextlib import closing

import pytest

from ingest.files import EARLIEST_NS, LATEST_NS, Entry, Files
from ingest.results import FileResult, Results
from ingest.settle import Settled
from ingest.table import Numbers, OnDisk, Strings, Wholes
from ingest.tasks import Task, Tasks
from shared.errors import AppError, CardError, UnreadableError
from shared.models import CopyState

ENTRIES = [
    Entry("B/2.MOV", 0, 0),
    Entry("B-1/1.MOV", 1, 1),
    Entry("top.txt", 2**40, -1),
    Entry("B/a/1.MOV", 2, LATEST_NS),
    Entry("B/1.MOV", 2, EARLIEST_NS),
    Entry(os.fsdecode(b"B/caf\xe9 \xf0\x9f\x8e\xac\n.mov"), 3, 4),
    Entry("🎬/Fähre.wav", 2**62, 5),
]


def files_of(entries: list[Entry]) -> Files:
    files = Files()
    for entry in entries:
        files.append(entry)
    return files


def tasks_of(*tasks: Task) -> Tasks:
    made = Tasks([task.entry for task in tasks])
    for task in tasks:
        made.append(task)
    return made


def test_entries_come_back_as_they_were() -> None:
    files = files_of(ENTRIES)
    assert list(files) == ENTRIES
    assert len(files) == len(ENTRIES)
    assert files[-1] == ENTRIES[-1]
    assert files[1:3] == tuple(ENTRIES[1:3])
    assert ENTRIES[3] in files
    with pytest.raises(IndexError):
        files[len(ENTRIES)]


def test_files_of_a_folder_stand_together_before_those_of_the_folders_in_it() -> None:
    ordered = files_of(ENTRIES).in_reading_order()
    assert sorted(ordered, key=str) == sorted(ENTRIES, key=str)
    parts = [tuple(entry.path.rpartition("/")[::2]) for entry in ordered]
    assert parts == sorted(parts)
    assert [entry.path for entry in ordered][:3] == ["top.txt", "B/1.MOV", "B/2.MOV"]


def test_a_time_that_no_column_holds_is_refused_and_leaves_nothing_behind() -> None:
    files = files_of(ENTRIES[:1])
    with pytest.raises(OverflowError):
        files.append(Entry("late", 1, LATEST_NS + 1))
    files.append(ENTRIES[1])
    assert list(files) == ENTRIES[:2]


def test_strings_may_be_empty() -> None:
    strings = Strings()
    for value in (b"", b"one", b"", b"\0two"):
        strings.append(value)
    assert [strings[n] for n in range(len(strings))] == [b"", b"one", b"", b"\0two"]


def test_tasks_come_back_as_they_were_and_without_a_place() -> None:
    one, two, three, *_ = ENTRIES
    rows = (
        Task(one, (0, 1), (), ()),
        Task(two, (1,), (0,), (), "00ff"),
        Task(three, (), (), (0, 1), "c4" + "1" * 88),
    )
    tasks = tasks_of(*rows)
    assert tuple(tasks) == rows
    assert [task.write for task in tasks.without(1)] == [(0,), (), ()]
    assert [(task.prove, task.kept, task.expected) for task in tasks.without(1)] == [
        (task.prove, task.kept, task.expected) for task in rows
    ]
    assert tuple(tasks) == rows


def test_results_fill_up_as_answers_come() -> None:
    tasks = tasks_of(*(Task(entry, (0, 1), (), ()) for entry in ENTRIES[:3]))
    results = Results(tasks, 2, "xxh64")
    assert list(results) == [FileResult(task) for task in tasks]

    gone = AppError("the drive is gone")
    unread = UnreadableError("it can't be read", path="x", remedy="Try again.")
    assert isinstance(unread, CardError)
    proven = Settled(0, 0, CopyState.VERIFIED, None, 17)
    results.source_ended(0, "0123456789abcdef", None)
    results.source_ended(2, None, unread)
    results.settled(proven)
    for number in (0, 1):
        results.settled(Settled(number, 1, None, gone))
    results.settled(Settled(1, 0, CopyState.DIFFERS, gone))

    assert results[0] == FileResult(
        tasks[0], "0123456789abcdef", None, {0: proven, 1: Settled(0, 1, None, gone)}
    )
    assert results[0].settled_everywhere
    assert results[1].digest is None
    assert results[1].at[0] == Settled(1, 0, CopyState.DIFFERS, gone)
    assert results[1].at[1].error is gone
    assert results[2].error is unread
    assert not results[2].at
    assert not results[2].settled_everywhere


def test_an_answer_may_be_changed() -> None:
    results = Results(tasks_of(Task(ENTRIES[0], (0,), (), ())), 1, "md5")
    results.settled(Settled(0, 0, CopyState.DIFFERS, AppError("it differs")))
    results.settled(Settled(0, 0, CopyState.VERIFIED, None, 5))
    assert results[0].at == {0: Settled(0, 0, CopyState.VERIFIED, None, 5)}


def test_numbers_are_found_by_what_they_were_added_under() -> None:
    keys = [b"b", b"", b"b\xff", b"a", b"ab"]
    numbers = Numbers((key, number - 2) for number, key in enumerate(keys))
    assert dict(numbers) == {key: number - 2 for number, key in enumerate(keys)}
    assert list(numbers) == sorted(keys)
    numbers.add(b"aa", 2**62)
    assert numbers[b"aa"] == 2**62 and numbers[b"ab"] == 2 and list(numbers) == sorted([*keys, b"aa"])
    assert b"c" not in numbers and b"aaa" not in numbers and b"" in numbers
    assert Numbers().get(b"a") is None


def test_whole_numbers_and_none() -> None:
    wholes = Wholes()
    for value in (0, None, -1, 2**63 - 1):
        wholes.append(value)
    assert [wholes[n] for n in range(len(wholes))] == [0, None, -1, 2**63 - 1]
    with pytest.raises(OverflowError):
        wholes.append(2**63)


def test_texts_on_disk_are_read_while_others_are_added() -> None:
    with closing(OnDisk()) as texts:
        assert [texts.append(value) for value in (b"one", b"", b"three\n")] == [0, 1, 2]
        assert texts[0] == b"one"
        assert texts.append(b"four") == 3
        assert [texts[n] for n in range(len(texts))] == [b"one", b"", b"three\n", b"four"]
