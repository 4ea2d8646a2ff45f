"""A million timecode conversions each way, for each way of counting and for the class. Prints seconds.

    python -m tests.bench.bench_timecode

The target: a million each way in well under 3 s together.
"""

from __future__ import annotations

from time import perf_counter

from shared.timecode import Rate, Timecode, frames_to_text, text_to_frames

COUNT = 1_000_000


def measure(label: str, drop: bool) -> str:
    rate = Rate.parse(label)
    frames = range(0, 2 * COUNT, 2)
    start = perf_counter()
    texts = [frames_to_text(frame, rate.nominal, drop) for frame in frames]
    written = perf_counter()
    read = [text_to_frames(text, rate.nominal, drop) for text in texts]
    done = perf_counter()
    if read != list(frames):
        raise AssertionError(f"{label}: what was written did not read back")
    parsed_from = perf_counter()
    for text in texts:
        Timecode.parse(text, rate)
    parsed = perf_counter()
    for frame in frames:
        str(Timecode(frame, rate, drop))
    formatted = perf_counter()
    name = f"{label} {'DF' if drop else 'NDF'}"
    return (
        f"{name:10}  to text {written - start:.2f}  from text {done - written:.2f}  "
        f"together {done - start:.2f} | Timecode.parse {parsed - parsed_from:.2f}  "
        f"str(Timecode(n)) {formatted - parsed:.2f}"
    )


def main() -> None:
    print(f"{COUNT:,} conversions each way, seconds")
    for label, drop in (("25", False), ("29.97", False), ("29.97", True), ("50", False), ("59.94", True)):
        print(measure(label, drop))


if __name__ == "__main__":
    main()
