"""How exact and how sure the sync by sound is: errors over matched pairs, false matches over unrelated ones.

    python -m tests.bench.calibrate_sync [MATCHED] [UNRELATED]

Matched pairs are 30 minutes each, with noise, rooms, levels, polarity, drift of up to ±40 in a million
between the clocks, and clocks wrong by up to ±10 minutes. Unrelated pairs are shorter, 2 to 4 minutes, and
looked for over the same ±10 minutes: other speech, or the same noise of a place without any speech in common.
"""

from __future__ import annotations

import sys
from time import perf_counter

import numpy as np

from ingest.sound.sync import NoSync, Sync, find_sync
from tests.ingest.sound_signals import Microphone, Signal, Truth, record, speak, truth_of

SECONDS = 1800.0
SOURCE_SECONDS = 2700.0
VARIANTS = 5  # recordings made of one source


def make_pair(source: Signal, seed: int, seconds: float = SECONDS) -> tuple[Signal, Signal, float, Truth]:
    """Picture, sound, what the clocks claim, and the truth."""
    rng = np.random.default_rng((40, seed))
    drift = rng.uniform(-20e-6, 20e-6, 2)
    first = rng.uniform(0, len(source) / 16_000 - seconds, 2)
    truth = truth_of(first[0], drift[0], first[1], drift[1])
    camera = Microphone(
        snr_db=rng.uniform(-3, 15),
        rt60=rng.uniform(0.2, 0.8),
        direct_db=rng.uniform(-3, 6),
        gain=10 ** rng.uniform(-2, 0),
        seed=2 * seed,
    )
    recorder = Microphone(
        snr_db=rng.uniform(8, 30),
        rt60=rng.uniform(0.1, 0.4),
        direct_db=rng.uniform(6, 15),
        gain=rng.choice((-1, 1)) * 10 ** rng.uniform(-1, 0),
        seed=2 * seed + 1,
    )
    picture = record(source, first[0], seconds, drift[0], camera)
    sound = record(source, first[1], seconds, drift[1], recorder)
    return picture, sound, truth.offset + rng.uniform(-595, 595), truth


def worst_error(found: Sync, truth: Truth, picture: float, sound: float) -> float:
    """The largest error over the stretch that both have, in milliseconds."""
    first, last = max(0.0, -truth.offset), min(picture, sound - truth.offset)
    return max(abs(found.sound_at(at) - truth(at)) for at in (first, last)) * 1000


def measure_matched(count: int) -> None:
    errors, drifts, seconds, missed, sure = [], [], [], 0, []
    for number in range(count):
        if number % VARIANTS == 0:
            source = speak(SOURCE_SECONDS, 100 + number)
        picture, sound, expected, truth = make_pair(source, number)
        start = perf_counter()
        found = find_sync(picture, sound, expected)
        seconds.append(perf_counter() - start)
        if isinstance(found, NoSync):
            missed += 1
            print(f"pair {number}: missed, {found.why}", flush=True)
            continue
        errors.append(worst_error(found, truth, SECONDS, SECONDS))
        drifts.append(abs((found.drift or 0.0) - truth.drift) * 1e6)
        sure.append(found.confidence)
        print(
            f"pair {number}: error {errors[-1]:.4f} ms, drift off by {drifts[-1]:.4f} ppm, confidence "
            f"{sure[-1]:.2f}, {found.agreeing} of {found.tested} windows, {seconds[-1]:.1f} s",
            flush=True,
        )
    print(
        f"matched: {count}, missed {missed}; error ms: median {np.median(errors):.4f}, largest "
        f"{max(errors):.4f}; drift ppm: largest {max(drifts):.4f}; least confidence {min(sure):.2f}; "
        f"{SECONDS / np.mean(seconds):.0f} × real time without decoding"
    )


def measure_unrelated(count: int) -> None:
    false, highest = 0, []
    for number in range(count):
        rng = np.random.default_rng((41, number))
        seconds = rng.uniform(120, 240, 2)
        picture = record(
            speak(seconds[0], 9000 + 2 * number),
            0.0,
            seconds[0],
            0.0,
            Microphone(snr_db=rng.uniform(-5, 25), rt60=rng.uniform(0.1, 0.8), seed=50_000 + 2 * number),
        )
        # Every fifth time nobody speaks on the other: only what is around the microphone.
        other = speak(seconds[1], 9001 + 2 * number) if number % 5 else np.zeros(16_000, np.float32)
        sound = record(other, 0.0, seconds[1], 0.0, Microphone(snr_db=10.0, seed=50_001 + 2 * number))
        found = find_sync(picture, sound, rng.uniform(-300, 300))
        highest.append(found.confidence)
        if isinstance(found, Sync):
            false += 1
            print(f"unrelated pair {number}: matched falsely: {found}", flush=True)
    print(
        f"unrelated: {count}, false matches {false} "
        f"(below {3 / count:.1%} with 95 % certainty if none); highest confidence {max(highest):.2f}, "
        f"99th percentile {np.quantile(highest, 0.99):.2f}"
    )


def main() -> None:
    counts = [int(text) for text in sys.argv[1:3]] + [40, 200][len(sys.argv) - 1 :]
    if counts[1]:
        measure_unrelated(counts[1])
    if counts[0]:
        measure_matched(counts[0])


if __name__ == "__main__":
    main()
