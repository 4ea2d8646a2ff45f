"""Devices of a given speed, simulated at the one seam where the program meets a card or a drive.

Every byte that is read from or written to a device takes its share of the device's time, one call after
another as on real hardware; the bytes themselves go to real files.
"""

from __future__ import annotations

import threading
import time
from pathlib import Path

from ingest.durable import Disk
from tests.faults import handle_path, is_below

AHEAD_SECONDS = 0.03


class Device:
    """`rate`: bytes a second, for reads and writes together. As hardware does, it takes a little ahead of
    time into a memory of its own (`AHEAD_SECONDS`), or every pause of the program would be a pause of its."""

    def __init__(self, folder: Path, rate: float) -> None:
        self.folder = folder
        self.rate = rate
        self.moved = 0
        self._free_at = 0.0
        self._lock = threading.Lock()

    def use(self, count: int) -> None:
        """Wait as long as the device would take, behind everybody who asked before."""
        with self._lock:
            start = max(self._free_at, time.perf_counter() - AHEAD_SECONDS)
            self._free_at = start + count / self.rate
            self.moved += count
            done = self._free_at
        time.sleep(max(0.0, done - time.perf_counter()))

    @property
    def shortest(self) -> float:
        """Seconds that what was moved takes at this rate, without a pause."""
        return self.moved / self.rate


class Slow(Disk):
    """Real calls, each of which takes the time of its device."""

    def __init__(self, devices: list[Device]) -> None:
        self._devices = devices

    def read_into(self, handle: int, view: memoryview) -> int:
        count = super().read_into(handle, view)
        self._use(handle, count)
        return count

    def write(self, handle: int, view: memoryview) -> int:
        count = super().write(handle, view)
        self._use(handle, count)
        return count

    def _use(self, handle: int, count: int) -> None:
        path = handle_path(handle)
        for device in self._devices:
            if is_below(path, device.folder):
                device.use(count)
