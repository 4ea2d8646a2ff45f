"""Requests: filed, claimed by exactly one worker, kept alive, ended, and queued again when silent."""

from __future__ import annotations

import datetime as dt
import threading
from collections import Counter

import pytest
from sqlalchemy import update

from shared.catalogue.requests import (
    MOST_ATTEMPTS,
    claim_next,
    fail,
    file_request,
    find_request,
    finish,
    heartbeat,
    open_requests,
)
from shared.db import Sessions, reading, writing
from shared.errors import ConflictError, NotFoundError
from shared.models import Request, RequestKind, RequestState, now

LONG_AGO = dt.datetime(2020, 1, 1, tzinfo=dt.UTC)


def file_one(sessions: Sessions, kind: RequestKind = RequestKind.OFFLOAD, **order: object) -> int:
    with writing(sessions) as session:
        return file_request(session, kind, order).id


def claim(sessions: Sessions, worker: str, stale_before: dt.datetime = LONG_AGO) -> Request | None:
    with writing(sessions) as session:
        return claim_next(session, worker, stale_before=stale_before)


def read(sessions: Sessions, request_id: int) -> Request:
    with reading(sessions) as session:
        return find_request(session, request_id)


def test_a_request_goes_from_queued_to_done(catalogue: Sessions) -> None:
    filed = file_one(catalogue, card="/media/A", to=["North"])
    assert read(catalogue, filed).state is RequestState.QUEUED

    claimed = claim(catalogue, "w1")
    assert claimed is not None
    assert (claimed.id, claimed.state, claimed.worker) == (filed, RequestState.RUNNING, "w1")
    assert claimed.order == {"card": "/media/A", "to": ["North"]}
    assert claimed.heartbeat_at is not None

    with writing(catalogue) as session:
        heartbeat(session, filed, {"read": 10}, worker="w1")
    assert read(catalogue, filed).progress["read"] == 10

    with writing(catalogue) as session:
        finish(session, filed, {"reel": "A001"}, worker="w1")
    done = read(catalogue, filed)
    assert (done.state, done.result, done.error) == (RequestState.DONE, {"reel": "A001"}, None)
    assert done.ended_at is not None


def test_a_failed_request_keeps_its_reason(catalogue: Sessions) -> None:
    filed = file_one(catalogue)
    claim(catalogue, "w1")
    with writing(catalogue) as session:
        fail(session, filed, "the card is gone — Put it in again.")
    failed = read(catalogue, filed)
    assert (failed.state, failed.error) == (RequestState.FAILED, "the card is gone — Put it in again.")


def test_the_oldest_is_claimed_first_and_nothing_twice(catalogue: Sessions) -> None:
    filed = [file_one(catalogue, number=number) for number in range(3)]
    claimed = [claim(catalogue, "w") for _ in range(4)]
    assert [one.id if one else None for one in claimed] == [*filed, None]


def test_parallel_claimers_never_get_the_same_row(catalogue: Sessions) -> None:
    filed = [file_one(catalogue, number=number) for number in range(60)]
    start = threading.Barrier(6)
    claimed: list[int] = []

    def work(name: str) -> None:
        start.wait()
        while (request := claim(catalogue, name)) is not None:
            claimed.append(request.id)

    threads = [threading.Thread(target=work, args=(f"w{number}",)) for number in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert Counter(claimed) == Counter(filed)


def test_a_silent_worker_loses_its_request(catalogue: Sessions) -> None:
    filed = file_one(catalogue)
    claim(catalogue, "silent")
    assert claim(catalogue, "other") is None, "its heartbeat is fresh"

    claimed = claim(catalogue, "other", stale_before=now() + dt.timedelta(seconds=1))
    assert claimed is not None and (claimed.id, claimed.worker) == (filed, "other")

    for speak in (heartbeat, finish):
        with pytest.raises(ConflictError, match="not this worker's any more"), writing(catalogue) as session:
            speak(session, filed, {}, worker="silent")
    assert read(catalogue, filed).worker == "other"


def test_what_is_not_running_can_not_be_ended(catalogue: Sessions) -> None:
    filed = file_one(catalogue)
    with pytest.raises(ConflictError), writing(catalogue) as session:
        finish(session, filed, {})
    claim(catalogue, "w1")
    with writing(catalogue) as session:
        finish(session, filed, {})
    with pytest.raises(ConflictError), writing(catalogue) as session:
        fail(session, filed, "too late")
    assert read(catalogue, filed).state is RequestState.DONE


def test_a_request_that_takes_every_worker_down_fails_and_frees_the_queue(catalogue: Sessions) -> None:
    poison, next_one = file_one(catalogue), file_one(catalogue)
    for attempt in range(MOST_ATTEMPTS):
        claimed = claim(catalogue, f"w{attempt}", stale_before=now() + dt.timedelta(seconds=1))
        assert claimed is not None and claimed.id == poison
        with writing(catalogue) as session:
            heartbeat(session, poison, {"read": attempt})
    after = claim(catalogue, "w9", stale_before=now() + dt.timedelta(seconds=1))
    assert after is not None and after.id == next_one
    failed = read(catalogue, poison)
    assert failed.state is RequestState.FAILED
    assert failed.error is not None and f"stopped {MOST_ATTEMPTS} times" in failed.error


def test_open_requests_are_the_queued_and_running_of_one_kind(catalogue: Sessions) -> None:
    first, second = file_one(catalogue), file_one(catalogue)
    file_one(catalogue, RequestKind.HANDOVER)
    done = file_one(catalogue)
    claim(catalogue, "w1")
    with writing(catalogue) as session:
        session.execute(update(Request).where(Request.id == done).values(state=RequestState.DONE))
    with reading(catalogue) as session:
        assert [one.id for one in open_requests(session, RequestKind.OFFLOAD)] == [first, second]


def test_a_request_that_is_not_there(catalogue: Sessions) -> None:
    with pytest.raises(NotFoundError, match="no request 7"):
        read(catalogue, 7)
