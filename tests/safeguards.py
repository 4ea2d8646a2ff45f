"""The safeguards of the copy engine that `tests/mutations.py` takes out, and the tests that miss them."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Mutation:
    """`before` stands once in `file` and is replaced by `after`; `tests` must then fail."""

    name: str
    file: str
    before: str
    after: str
    tests: str


def _settle(name: str, before: str, after: str, tests: str) -> Mutation:
    return Mutation(name, "ingest/settle.py", before, after, tests)


def _ingest(module: str, name: str, before: str, after: str, tests: str) -> Mutation:
    return Mutation(name, f"ingest/{module}.py", before, after, tests)


FAULTS, CARD_FAULTS, CUT = "test_faults.py", "test_card_faults.py", "test_powercut.py"
COPY, BREAKS = "test_copy.py", "test_breaks.py"
PLAN, CARD, VERDICT, DURABLE = "test_plan.py", "test_card.py", "test_verdict.py", "test_durable.py"
HISTORY, PIPELINE = "test_card_history.py", "test_pipeline.py"
LIMITS, RING, DEVICES = "test_limits.py", "test_ring.py", "test_devices.py"

MUTATIONS = (
    # --- the seven steps
    _settle("no compare", "if found != expected:", "if False:", FAULTS),
    _settle(
        "no read-back",
        "found = self._digest(handle, state.st_size, direct)",
        "found = expected",
        FAULTS,
    ),
    _settle("no sync of a file", "self._disk.sync(handle)", "pass", CUT),
    _settle("no sync of many files", "self._sync_all()", "pass", CUT),
    _settle(
        "no sync of the folder",
        "self._disk.sync_folder(folder)\n                    self._settler",
        "self._settler",
        CUT,
    ),
    _settle(
        "no sync of the folders above",
        "self._disk.sync_folder(folder)\n                    self._settler.sync_above(path)",
        "self._disk.sync_folder(folder)",
        CUT,
    ),
    _settle("no dropping of the cache", "self._disk.drop_cache(handle)", "pass", COPY),
    _settle(
        "success told before the folder's sync",
        "proven.append((waiting, settled))",
        "self._settler.verified(item, settled)",
        CUT,
    ),
    _settle(
        "published before the proof",
        "mtime_ns = self._prove(waiting, expected, synced)\n                self._publish(waiting)",
        "self._publish(waiting)\n                waiting = _Waiting(item, None)\n"
        "                mtime_ns = self._prove(waiting, expected, synced)",
        FAULTS,
    ),
    _settle(
        "a failed sync is passed over",
        "self._disk.sync(handle)",
        "exec('try: self._disk.sync(handle)\\nexcept OSError: pass')",
        FAULTS,
    ),
    _settle(
        "written is called verified",
        "self._settler.answer(waiting.item, error, CopyState.WRITTEN)",
        "self._settler.answer(waiting.item, error, CopyState.VERIFIED)",
        FAULTS,
    ),
    _settle(
        "memory is called medium", "if not direct and self._disk.resident", "if False and self._disk", COPY
    ),
    _settle("direct reads are insisted on", "if not direct or error", "if True or error", COPY),
    _settle(
        "a failing destination is not stopped",
        "self._settler.stop_place(error)\n            # A",
        "pass\n            # A",
        FAULTS,
    ),
    _settle(
        "temporary files are left",
        "self._disk.remove(waiting.partial, at=folder)",
        "pass",
        FAULTS,
    ),
    _settle("a pipe is read as a file", "if not is_plain_file(", "if False and not is_plain_file(", FAULTS),
    _settle("a settling thread's bug is swallowed", "raise self._failure", "pass", BREAKS),
    _settle("any number of open folders", "BATCH_FOLDERS = 16", "BATCH_FOLDERS = 10_000", COPY),
    # --- the seam
    _ingest("durable", "publishing overwrites", "_RENAME_NOREPLACE = 1", "_RENAME_NOREPLACE = 0", FAULTS),
    _ingest(
        "durable",
        "publishing by rename overwrites",
        "os.stat(final, dir_fd=at",
        "os.stat('?', dir_fd=at",
        DURABLE,
    ),
    _ingest("durable", "no exclusive creation", "os.O_CREAT | os.O_EXCL", "os.O_CREAT", DURABLE),
    _ingest("durable", "no sync at all", "            os.fsync(handle)", "            pass", DURABLE),
    _ingest(
        "durable",
        "folder links are followed",
        "os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC",
        "os.O_DIRECTORY | os.O_CLOEXEC",
        FAULTS,
    ),
    _ingest(
        "durable",
        "the card's links are followed",
        "os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC, at)",
        "os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC, at)",
        CARD_FAULTS,
    ),
    _ingest("durable", "access times are left", "flags | _O_NOATIME, dir", "flags, dir", CARD),
    _ingest(
        "durable",
        "no lock on the folder",
        "fcntl.flock(folder, fcntl.LOCK_EX | fcntl.LOCK_NB)",
        "pass",
        LIMITS,
    ),
    _ingest(
        "durable",
        "failed folder syncs are ignored",
        "(errno.EINVAL, errno.ENOTSUP",
        "(errno.EIO, errno.ENOTSUP",
        DURABLE,
    ),
    _ingest("durable", "full is not told apart", "(errno.ENOSPC, errno.EDQUOT)", "()", LIMITS),
    _ingest(
        "durable",
        "residency is never seen",
        "            return True\n    return False",
        "            return False\n    return False",
        COPY,
    ),
    # --- reading
    _ingest(
        "read",
        "no look before the reading",
        "if not is_plain_file(before) or not _as_listed(before, item):",
        "if False:",
        CARD_FAULTS,
    ),
    _ingest(
        "read",
        "no look after the reading",
        "if total != entry.size or not _as_listed(self._disk.size_and_times(handle), item):",
        "if False:",
        CARD_FAULTS,
    ),
    _ingest("read", "no second reading", "item.second_digest = self._read_again(handle, item)", "pass", COPY),
    _ingest(
        "read",
        "a card's fault ends the run",
        "error = card_error(failure, item.task.entry.shown)",
        "raise",
        CARD_FAULTS,
    ),
    _ingest("copy", "two readings are not compared", "item.second_digest != digest", "False", COPY),
    _ingest("copy", "the earlier digest is not compared", "expected != digest", "False", CARD_FAULTS),
    _ingest(
        "copy",
        "a broken hasher answers nobody",
        'segment.item.source_ended(None, AppError("the run broke off"))',
        "pass",
        BREAKS,
    ),
    _ingest(
        "copy",
        "empty folders are forgotten",
        "make_folders(self._disk, settler",
        "len((self._disk, settler)) or make_folders(self._disk, settler",
        COPY,
    ),
    _ingest(
        "copy",
        "answers pile up",
        "while not self._room.acquire(timeout=TICK_SECONDS):",
        "while False:",
        BREAKS,
    ),
    _ingest(
        "copy",
        "ticks come in pauses only",
        "if time.monotonic() - ticked >= TICK_SECONDS:",
        "if False:",
        BREAKS,
    ),
    # --- writing
    _ingest("write", "short writes lose bytes", "rest = rest[count:]", "rest = rest[len(rest):]", COPY),
    _ingest(
        "write", "no times", "self._disk.set_mtime(self._handle, item.task.entry.mtime_ns)", "pass", COPY
    ),
    _ingest(
        "write",
        "cut characters in temporary names",
        '.decode("utf-8", "ignore")',
        '.decode("utf-8", "surrogateescape")',
        COPY,
    ),
    _ingest("write", "the card's own files are cleared away", "and path not in keep", "", COPY),
    _ingest(
        "write",
        "failed writes leave their files",
        "self._disk.remove(partial, at=self._folder)",
        "pass",
        FAULTS,
    ),
    _ingest(
        "write",
        "one refused file stops the drive",
        "if isinstance(error, RefusedFileError):",
        "if False:",
        FAULTS,
    ),
    _ingest(
        "ring", "buffers are reused too early", "done = chunk.waiting == 0", "done = chunk.waiting == 1", RING
    ),
    _ingest("ring", "a broken consumer goes on", "if failure is None:", "if True:", RING),
    # --- the plan
    _ingest("plan", "kept whatever the card says", "if unchanged and proof", "if proof", PLAN),
    _ingest("plan", "never proven again", "and not prove_again:", ":", PLAN),
    _ingest("plan", "space is not asked for", "if needed <= free:", "if True:", PLAN),
    _ingest("plan", "space is promised twice", "promised[place.device] = needed", "pass", PLAN),
    _ingest(
        "plan",
        "a destination on the card",
        "if _lies_in(real, card) or _lies_in(card, real):",
        "if False:",
        PLAN,
    ),
    _ingest(
        "plan",
        "a folder is made on the card",
        "if root.absolute().parent.is_dir() and _lies_in(root",
        "if False and _lies_in(root",
        PLAN,
    ),
    _ingest(
        "plan",
        "folders are made where drives are mounted",
        "or parent in mounts or parent.parent in mounts[1:3]",
        "",
        PLAN,
    ),
    _ingest(
        "misfits",
        "twins are merged",
        '    if twin is None:\n        return None\n    return ConflictError(\n        f"on this',
        '    if True:\n        return None\n    return ConflictError(\n        f"on this',
        PLAN,
    ),
    _ingest(
        "misfits",
        "FAT holds one byte more",
        "entry.size <= FAT_LARGEST",
        "entry.size <= FAT_LARGEST + 1",
        PLAN,
    ),
    # --- the card
    _ingest("card", "all companions are junk", "== len(start) and start == _APPLE_DOUBLE", ">= 0", CARD),
    _ingest(
        "card",
        "what is no file is passed over",
        "self._leave_out(path, _what_it_is(found.st_mode))",
        "pass",
        CARD,
    ),
    _ingest("card", "any depth", "if depth >= MAX_DEPTH:", "if False:", CARD),
    # --- the verdict
    _ingest("verdict", "one drive is enough", "any(not one & other for n", "any(True for n", VERDICT),
    _ingest("verdict", "the card's own drive counts", "& self._card_drives]", "& frozenset()]", VERDICT),
    _ingest(
        "verdict",
        "changes on the card are passed over",
        "if (entry.size, entry.mtime_ns) != (recorded.size, recorded.mtime_ns):",
        "if False:",
        VERDICT,
    ),
    _ingest(
        "verdict",
        "times may differ a little",
        "if (entry.size, entry.mtime_ns) != (recorded.size, recorded.mtime_ns):",
        "if abs(entry.mtime_ns - recorded.mtime_ns) > 2 * 10**9 or entry.size != recorded.size:",
        VERDICT,
    ),
    _ingest("verdict", "unread files count", "if recorded.digest is None:", "if False:", VERDICT),
    _ingest("verdict", "problems are passed over", "if recorded.problem is not None:", "if False:", VERDICT),
    _ingest("verdict", "unproven copies count", "if copy.state is CopyState.VERIFIED]", "]", VERDICT),
    _ingest(
        "verdict",
        "copies are not looked at",
        "if self._is_there(c.destination, entry, c.mtime_ns)]",
        "if self._is_there(c.destination, entry, c.mtime_ns) or True]",
        VERDICT,
    ),
    _ingest("verdict", "a link counts as a copy", "if not is_plain_file(found):", "if False:", VERDICT),
    _ingest(
        "verdict",
        "new files are passed over",
        'return "on the card that no offload has copied"',
        "return None",
        VERDICT,
    ),
    _ingest(
        "verdict",
        "files beyond the first piece are passed over",
        "for entries in in_chunks(listing.files, AT_A_TIME):",
        "for entries in [next(in_chunks(listing.files, AT_A_TIME))]:",
        PIPELINE,
    ),
    _ingest("verdict", "left-out things are passed over", "if not thing.junk:", "if False:", VERDICT),
    _ingest("devices", "partitions count as drives", "node = node.parent", "pass", DEVICES),
    _ingest("devices", "layers count as drives", "if not below:", "if True:", DEVICES),
    _ingest(
        "devices",
        "subvolumes count as drives",
        "if (number := _block_device(mounted.source)) is not None:",
        "if (number := None) is not None:",
        DEVICES,
    ),
    _ingest(
        "devices",
        "shares of one server count as drives",
        "if (server := _server(mounted)) is not None:",
        "if (server := None) is not None:",
        DEVICES,
    ),
    # --- hash lists that came with the card
    _ingest("own_chain", "any chain is the card's", "there[: len(first)] == first", "bool(there)", HISTORY),
    _ingest(
        "own_chain", "a grown chain differs", "if settled.state is not", "if True or settled is not", HISTORY
    ),
    _ingest(
        "card_history", "the card's own list is not asked", "if wrong is not None:", "if False:", HISTORY
    ),
    _ingest(
        "card_history",
        "a broken list of the card is passed over",
        'history.problems = (Problem("manifest", error.path, message, error.remedy),)',
        "pass",
        HISTORY,
    ),
    _ingest(
        "pipeline",
        "doubts are forgotten",
        "recorder.doubt([doubt.result for doubt in doubts], SAYS_OTHERWISE)",
        "pass",
        HISTORY,
    ),
    _ingest(
        "check/repair", "a chain is put in the place of another", "if is_chain(", "if False and (", HISTORY
    ),
    _ingest(
        "mhl/publish",
        "direct reads of a list are insisted on",
        "if not direct or error.errno",
        "if True or error.errno",
        "test_mhl_kill.py",
    ),
    # --- hashes, names
    _ingest("hashes", "C4 in another order", "reversed(characters)", "characters", "test_hashes.py"),
    Mutation(
        "a growing file makes a new reel",
        "shared/catalogue/reels.py",
        "elif digest is not None:",
        "else:",
        "../shared/test_recognise.py",
    ),
)
