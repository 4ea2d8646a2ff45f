"""The ring of buffers: order, sharing, back-pressure, and consumers that break."""

from __future__ import annotations

import ctypes
import threading
import time

import pytest

from ingest.ring import Chunk, Ring, Segment
from tests.faults import within

SIZE = 4096


def fill(ring: Ring[int], number: int) -> None:
    chunk = ring.take()
    chunk.view[:4] = number.to_bytes(4, "big")
    chunk.segments.append(Segment(number, 0, 4, last=True))
    ring.give(chunk)


def number_in(chunk: Chunk[int]) -> int:
    assert [segment.item for segment in chunk.segments] == [int.from_bytes(chunk.view[:4], "big")]
    return chunk.segments[0].item


def test_every_consumer_gets_every_chunk_in_order_and_intact() -> None:
    """Buffers are reused all the time; none is filled again while somebody still reads it."""
    ring: Ring[int] = Ring(3, SIZE, 3)
    seen: list[list[int]] = [[], [], []]

    def consume(number: int) -> None:
        def work(chunk: Chunk[int]) -> None:
            before = number_in(chunk)
            if number == before % 3:
                time.sleep(0.001)  # each lags behind in turn
            assert number_in(chunk) == before
            seen[number].append(before)

        ring.consume(number, work)

    threads = [threading.Thread(target=consume, args=(number,)) for number in range(3)]
    with within(30):
        for thread in threads:
            thread.start()
        for number in range(200):
            fill(ring, number)
        ring.end()
        for thread in threads:
            thread.join()
    assert seen == [list(range(200))] * 3
    ring.close()


def test_the_reader_waits_for_the_slowest_consumer() -> None:
    ring: Ring[int] = Ring(2, SIZE, 2)
    taken = []

    def read() -> None:
        for _ in range(4):
            taken.append(ring.take())
            ring.give(taken[-1])

    reader = threading.Thread(target=read, daemon=True)
    reader.start()

    def settled(count: int) -> bool:
        deadline = time.monotonic() + 5
        while len(taken) < count and time.monotonic() < deadline:
            time.sleep(0.001)
        time.sleep(0.02)  # long enough for one too many to show
        return len(taken) == count

    assert settled(2)
    first = ring.queues[0].get()
    assert first is not None
    ring.release(first)
    assert settled(2)  # the other consumer still holds it
    same = ring.queues[1].get()
    assert same is first
    ring.release(first)
    assert settled(3)
    for queue in ring.queues:
        while not queue.empty():
            chunk = queue.get()
            assert chunk is not None
            ring.release(chunk)
    assert settled(4)
    reader.join(5)


def test_a_consumer_that_breaks_keeps_nobody_waiting_and_its_error_is_raised_at_the_end() -> None:
    ring: Ring[int] = Ring(2, SIZE, 2)
    seen: list[int] = []
    worked: list[int] = []
    raised: list[BaseException] = []

    def breaking() -> None:
        def work(chunk: Chunk[int]) -> None:
            worked.append(number_in(chunk))
            if worked[-1] == 3:
                raise RuntimeError("planted")

        try:
            ring.consume(0, work)
        except RuntimeError as error:
            raised.append(error)

    threads = [
        threading.Thread(target=breaking),
        threading.Thread(target=lambda: ring.consume(1, lambda chunk: seen.append(number_in(chunk)))),
    ]
    with within(30):
        for thread in threads:
            thread.start()
        for number in range(50):
            fill(ring, number)
        ring.end()
        for thread in threads:
            thread.join()
    assert seen == list(range(50))
    assert worked == [0, 1, 2, 3]  # what comes after is taken and let go, no more
    assert [str(error) for error in raised] == ["planted"]
    ring.close()


def test_memory_is_given_back() -> None:
    ring: Ring[int] = Ring(2, SIZE, 1)
    view = ring.take().view
    ring.close()
    with pytest.raises(ValueError, match="released"):
        view[0] = 1


def test_buffers_lie_on_pages_as_direct_reads_demand() -> None:
    ring: Ring[int] = Ring(3, SIZE, 1)
    for _ in range(3):
        start = ctypes.addressof(ctypes.c_char.from_buffer(ring.take().view))
        assert start % 4096 == 0
