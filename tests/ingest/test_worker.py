"""The worker against a real catalogue file, with real threads, real processes and real signals."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, event, func, select

from ingest.worker import Report
from shared.catalogue.requests import claim_next, finish
from shared.db import Sessions, make_engine, make_sessions, reading, writing
from shared.errors import ConflictError, UnreadableError
from shared.models import Request, RequestState, now
from shared.upgrading import upgrade
from tests.ingest.filed import DEADLINE, ask, look_up, settings_of, until, worker_of


def echo(order: dict[str, Any], report: Report) -> dict[str, Any]:
    report({"step": "echoing"})
    return {"order": order}


# --- one request ----------------------------------------------------------------------------------------


def test_a_request_is_carried_out_and_its_result_kept(catalogue: Sessions, tmp_path: Path) -> None:
    first, second = ask(catalogue, {"n": 1}), ask(catalogue, {"n": 2})
    worker = worker_of(catalogue, settings_of(tmp_path), echo)

    assert worker.run_once()

    done = look_up(catalogue, first)
    assert (done.state, done.result) == (RequestState.DONE, {"order": {"n": 1}})
    assert done.progress["step"] == "echoing"
    assert done.ended_at is not None
    assert look_up(catalogue, second).state is RequestState.QUEUED
    assert worker.run_once()
    assert not worker.run_once(), "nothing is left"


def test_an_intended_error_fails_the_request_with_what_and_remedy(
    catalogue: Sessions, tmp_path: Path
) -> None:
    def handler(order: dict[str, Any], report: Report) -> dict[str, Any]:
        raise UnreadableError("it can't be read", path="C0001.MP4", remedy="Try another reader.")

    request, said = ask(catalogue), list[str]()
    assert worker_of(catalogue, settings_of(tmp_path), handler, said).run_once()

    failed = look_up(catalogue, request)
    assert failed.state is RequestState.FAILED
    assert failed.error == "C0001.MP4: it can't be read — Try another reader."
    assert failed.error in said[-1]


def test_a_bug_fails_its_request_plainly_and_the_next_one_is_carried_out(
    catalogue: Sessions, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    def handler(order: dict[str, Any], report: Report) -> dict[str, Any]:
        return {"half": 1 // int(order["n"])}

    bad, good = ask(catalogue, {"n": 0}), ask(catalogue, {"n": 2})
    worker = worker_of(catalogue, settings_of(tmp_path), handler)

    assert worker.run_once()
    assert worker.run_once()

    failed = look_up(catalogue, bad)
    assert failed.state is RequestState.FAILED
    assert failed.error is not None
    assert "ZeroDivisionError" in failed.error
    assert "Traceback" not in failed.error
    assert "1 // int" in caplog.text, "the log has the traceback"
    assert look_up(catalogue, good).result == {"half": 0}


def test_a_kind_that_nobody_carries_out_is_refused(catalogue: Sessions, tmp_path: Path) -> None:
    request = ask(catalogue, kind="handover")
    assert worker_of(catalogue, settings_of(tmp_path), echo).run_once()
    error = look_up(catalogue, request).error
    assert error is not None
    assert "handover" in error
    assert "It carries out: offload" in error


def test_a_result_that_is_no_json_fails_the_request(catalogue: Sessions, tmp_path: Path) -> None:
    request = ask(catalogue)
    assert worker_of(catalogue, settings_of(tmp_path), lambda order, report: {"path": Path("/x")}).run_once()
    failed = look_up(catalogue, request)
    assert failed.state is RequestState.FAILED
    assert "TypeError" in (failed.error or "")


# --- the heartbeat --------------------------------------------------------------------------------------


def test_a_long_request_stays_alive_and_nobody_takes_it(catalogue: Sessions, tmp_path: Path) -> None:
    """The handler says nothing for many times `stale_seconds`; the heartbeat alone keeps the request."""
    settings = settings_of(tmp_path, stale_seconds=1.2)
    request = ask(catalogue)
    beats: list[object] = []
    rival = worker_of(catalogue, settings, echo)

    def handler(order: dict[str, Any], report: Report) -> dict[str, Any]:
        def another() -> bool:
            beat = look_up(catalogue, request).heartbeat_at
            if beat not in beats:
                beats.append(beat)
            assert not rival.run_once()
            return len(beats) >= 8  # a beat each 0.3 s: twice `stale_seconds`

        until(another, "eight heartbeats")
        return {"carried out by": "the first"}

    assert worker_of(catalogue, settings, handler).run_once()
    assert look_up(catalogue, request).result == {"carried out by": "the first"}


def test_progress_is_written_seldom_however_often_it_is_reported(
    catalogue: Sessions, engine: Engine, tmp_path: Path
) -> None:
    request = ask(catalogue)
    updates: list[str] = []

    @event.listens_for(engine, "before_cursor_execute")
    def count(connection: Any, cursor: Any, statement: str, *rest: Any) -> None:
        if statement.startswith("UPDATE request"):
            updates.append(statement)

    def handler(order: dict[str, Any], report: Report) -> dict[str, Any]:
        end = time.monotonic() + 1.5
        while time.monotonic() < end:
            report({"read": time.monotonic_ns()})
            time.sleep(0.001)
        report({"read": "all"})
        return {}

    began = time.monotonic()
    assert worker_of(catalogue, settings_of(tmp_path), handler).run_once()
    seconds = time.monotonic() - began
    assert look_up(catalogue, request).progress["read"] == "all", "the last word is kept"
    # Two to claim, one to finish, one last word; between them at most one a second.
    assert len(updates) <= 4 + seconds


def test_a_worker_that_lost_its_request_stops_and_leaves_the_other_ones_result(
    catalogue: Sessions, tmp_path: Path
) -> None:
    """As after a night with the lid closed: somebody else has carried it out meanwhile."""
    settings = settings_of(tmp_path, stale_seconds=0.4)
    request, said = ask(catalogue), list[str]()
    stopped_by: list[ConflictError] = []

    def handler(order: dict[str, Any], report: Report) -> dict[str, Any]:
        with writing(catalogue) as session:
            taken = claim_next(session, "another", stale_before=now().replace(year=now().year + 1))
            assert taken is not None
            finish(session, taken.id, {"by": "another"}, worker="another")
        end = time.monotonic() + DEADLINE
        try:
            while time.monotonic() < end:
                report({"read": time.monotonic()})
                time.sleep(0.01)
        except ConflictError as error:
            stopped_by.append(error)
            raise
        return {"by": "the first"}

    assert worker_of(catalogue, settings, handler, said).run_once()
    assert stopped_by, "the handler was told to stop"
    left = look_up(catalogue, request)
    assert (left.state, left.result, left.error) == (RequestState.DONE, {"by": "another"}, None)


# --- ends, clean and otherwise --------------------------------------------------------------------------

CHILD = """
import signal, sys, time, threading
from pathlib import Path
from ingest.worker import Worker
from shared.db import make_engine, make_sessions
from shared.models import RequestKind
from shared.settings import load_settings

signal.signal(signal.SIGINT, signal.default_int_handler)  # ignored by default where tests run as a job
url, home, started = sys.argv[1:]

def handler(order, report):
    report({"step": "in the child"})
    Path(started).write_text("yes")
    while True:
        report({"step": "in the child"})
        time.sleep(0.02)

settings = load_settings(home=home, stale_seconds=1.0, poll_seconds=0.05)
worker = Worker(make_sessions(make_engine(url)), settings, {RequestKind.OFFLOAD: handler}, print)
worker.run(threading.Event())
"""


@contextmanager
def child_at_work(url: str, tmp_path: Path) -> Iterator[subprocess.Popen[bytes]]:
    """A worker in a process of its own, in the middle of a request; killed at the end, if it lives yet."""
    started = tmp_path / "started"
    with subprocess.Popen(
        [sys.executable, "-c", CHILD, url, str(tmp_path / "home"), str(started)],
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
        stdout=subprocess.PIPE,
    ) as child:
        try:
            until(lambda: started.exists() or child.poll() is not None, "the child's start")
            assert child.poll() is None
            yield child
        finally:
            child.kill()


def test_the_request_of_a_killed_worker_is_carried_out_by_the_next(
    catalogue: Sessions, catalogue_url: str, tmp_path: Path
) -> None:
    request = ask(catalogue, {"n": 1})
    with child_at_work(catalogue_url, tmp_path) as child:
        child.send_signal(signal.SIGKILL)
        assert child.wait(DEADLINE) == -signal.SIGKILL
    left = look_up(catalogue, request)
    assert left.state is RequestState.RUNNING, "a killed process can't say goodbye"
    patient = worker_of(catalogue, settings_of(tmp_path, stale_seconds=3600.0), echo)
    assert not patient.run_once(), "its heartbeat is fresh yet"

    worker = worker_of(catalogue, settings_of(tmp_path, stale_seconds=1.0), echo)
    until(worker.run_once, "the request queued again")

    done = look_up(catalogue, request)
    assert (done.state, done.result) == (RequestState.DONE, {"order": {"n": 1}})
    assert done.worker != left.worker


def test_ctrl_c_gives_the_request_back_at_once(
    catalogue: Sessions, catalogue_url: str, tmp_path: Path
) -> None:
    request = ask(catalogue, {"n": 1})
    with child_at_work(catalogue_url, tmp_path) as child:
        child.send_signal(signal.SIGINT)
        out, _ = child.communicate(timeout=DEADLINE)
    assert child.returncode == 0
    assert b"Stopped" in out
    assert look_up(catalogue, request).state is RequestState.QUEUED
    patient = worker_of(catalogue, settings_of(tmp_path, stale_seconds=3600.0), echo)
    assert patient.run_once(), "nobody has to wait for a heartbeat to go stale"


def test_a_stop_ends_the_request_under_way_and_queues_it_again(catalogue: Sessions, tmp_path: Path) -> None:
    request, stop = ask(catalogue), threading.Event()

    def handler(order: dict[str, Any], report: Report) -> dict[str, Any]:
        stop.set()
        report({})
        raise AssertionError("it went on after the stop")

    worker_of(catalogue, settings_of(tmp_path), handler).run(stop)
    assert look_up(catalogue, request).state is RequestState.QUEUED


def test_a_waiting_worker_takes_what_is_filed_later_and_ends_on_a_stop(
    catalogue: Sessions, tmp_path: Path
) -> None:
    stop = threading.Event()
    worker = worker_of(catalogue, settings_of(tmp_path), echo)
    thread = threading.Thread(target=worker.run, args=(stop,))
    thread.start()
    try:
        request = ask(catalogue, {"n": 7})
        until(lambda: look_up(catalogue, request).state is RequestState.DONE, "the request")
    finally:
        stop.set()
        thread.join(DEADLINE)
    assert not thread.is_alive()


def test_workers_share_the_requests_and_carry_out_each_once(catalogue: Sessions, tmp_path: Path) -> None:
    requests = [ask(catalogue, {"n": number}) for number in range(30)]
    carried: list[int] = []

    def handler(order: dict[str, Any], report: Report) -> dict[str, Any]:
        carried.append(order["n"])
        return {}

    def work() -> None:
        worker = worker_of(catalogue, settings_of(tmp_path), handler)
        while worker.run_once():
            pass

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(carried) == list(range(30))
    with reading(catalogue) as session:
        done = session.scalar(select(func.count()).where(Request.state == RequestState.DONE))
    assert done == len(requests)


def test_a_catalogue_out_of_reach_is_said_once_and_tried_again(tmp_path: Path) -> None:
    engine = make_engine(f"sqlite:///{tmp_path / 'home' / 'catalogue.db'}")
    said: list[str] = []
    worker = worker_of(make_sessions(engine), settings_of(tmp_path), echo, said)
    try:
        assert not worker.run_once()
        assert not worker.run_once()
        assert len(said) == 1
        assert "no such table" in said[0]
        upgrade(engine)
        ask(make_sessions(engine))
        assert worker.run_once()
    finally:
        engine.dispose()
