"""A closer look at a few pictures of a clip, for what costs too much to be asked of all: faces and charts."""

from __future__ import annotations

from ingest.measure.picture_faces import FaceFinder
from ingest.measure.picture_numbers import Look
from ingest.measure.picture_plane import Plane
from ingest.measure.picture_stripes import measure_stripes

EVERY_SECONDS = 8.0
FEWEST, MOST = 3, 9
_FACES = 3  # kept of one picture


class Looking:
    """Chooses among the pictures of the coarse pass, which come in order, and keeps what it saw."""

    def __init__(self, seconds: float, finder: FaceFinder | None) -> None:
        count = min(MOST, max(FEWEST, round(seconds / EVERY_SECONDS)))
        self._wanted = [seconds * (number + 0.5) / count for number in range(count)]
        self._finder = finder
        self._held: tuple[float, Plane] | None = None
        self.looks: list[Look] = []

    def see(self, time: float, plane: Plane) -> None:
        """The next picture: looked at where a wanted time is nearer to it than to the one before."""
        while self._wanted and self._held is not None and time >= self._wanted[0]:
            nearer = min((self._held, (time, plane)), key=lambda one: abs(one[0] - self._wanted[0]))
            self._look(*nearer)
            del self._wanted[0]
        self._held = (time, plane)

    def finish(self) -> tuple[Look, ...]:
        """There are no more pictures."""
        if self._wanted and self._held is not None:
            self._look(*self._held)
        return tuple(self.looks)

    def _look(self, time: float, plane: Plane) -> None:
        if self.looks and self.looks[-1].time == time:
            return  # of a short clip there are fewer pictures than looks
        height = plane.shape[0]
        faces = () if self._finder is None else self._finder.find(plane)[:_FACES]
        heights = tuple(round((one.bottom - one.top) / height, 4) for one in faces)
        self.looks.append(Look(time, heights, measure_stripes(plane)))
