"""What counts as a finding in picture and sound: every limit, its unit, and who says so.

Part of the settings. Measured numbers are kept, so a changed limit needs no new measurement:
`rushlight judge` makes the findings anew.
"""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict, Field

PUBLISHED, PRACTICE, CALIBRATED = (
    "Published: ",
    "Common practice, no source.",
    "Calibrated: `make calibrate`.",
)


def _limit(value: float, what: str, source: str = PRACTICE) -> Any:
    return Field(value, description=f"{what} {source}")


class _Limits(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class HuntingLimits(_Limits):
    """When swinging sharpness is focus that hunts; the numbers are those of `Swings`."""

    slowest: float = _limit(0.27, "Swings a second, Hz, at least.")
    fastest: float = _limit(4.4, "Swings a second, Hz, at most.")
    cycles: float = _limit(2.0, "Whole swings, at least.")
    swing: float = _limit(0.012, "Change of log sharpness in half a swing, at least.", CALIBRATED)
    uneven: float = _limit(0.5, "Scatter of the half swings' lengths over their median, at most.", CALIBRATED)
    one_way: float = _limit(
        0.45, "Smaller over larger swing, of detail across and down, at least.", CALIBRATED
    )
    light: float = _limit(0.5, "Swing of log light in step, over that of sharpness, at most.", CALIBRATED)
    least_coarse: float = _limit(
        -0.1, "Swing of coarse detail in step, over that of sharpness, at least.", CALIBRATED
    )
    agreeing: float = _limit(0.6, "Share of tiles, by weight, that swing in step, at least.", CALIBRATED)
    explained: float = _limit(0.47, "Share of the tiles' variance that is in step, at least.", CALIBRATED)
    speed: float = _limit(0.04, "Median speed of the framing, heights a second, at most.", CALIBRATED)
    speed_in_step: float = _limit(-0.45, "Correlation of sharpness with speed, at least.", CALIBRATED)
    departing: float = _limit(
        0.06, "Median shift of what departs from the framing, heights a second, at most.", CALIBRATED
    )
    blurring: float = _limit(
        0.93,
        "Correlation of sharpness with blur as the changes between pictures show it, at least.",
        CALIBRATED,
    )
    at_keys: float = _limit(
        0.5, "Swing among key frames alone, over the swing of all pictures, at least.", CALIBRATED
    )
    sudden: float = _limit(
        2.3, "Largest change between pictures, over that of a sine of this swing, at most.", CALIBRATED
    )


class PictureLimits(_Limits):
    """Codes are those of ITU-R BT.709-6, table 4.6 (limited range) and ITU-T H.273 (full range)."""

    clipped_share: float = _limit(0.02, "Of all pixels at the highest code there is, at most.")
    flat_share: float = _limit(0.03, "Of all pixels at the clip's own highest code, below the last, at most.")
    flat_height: float = _limit(0.75, "How bright that code must be; 1 is nominal peak.")
    crushed_share: float = _limit(0.25, "Of all pixels at the lowest code there is, at most.")
    black_below: float = _limit(
        0.03,
        "Part of the range that 99 % of a black picture stay under.",
        PUBLISHED + "the code for black, ITU-R BT.709-6; the margin above it is common practice.",
    )
    black_seconds: float = _limit(1.0, "Black that is a finding, s.")
    cap_below: float = _limit(0.16, "Part of the range that 99 % of a picture behind a lens cap stay under.")
    cap_contrast: float = _limit(0.8, "Structure that a covered lens stays under, codes of 8 bits.")
    cap_share: float = _limit(0.9, "Of the clip's samples that are so, at least.")
    frozen_seconds: float = _limit(0.5, "Standing picture that is a finding, s.")
    repeats_share: float = _limit(0.02, "Of the pictures that repeat the one before, at most.")
    repeats_least: int = _limit(3, "Repeated pictures that are a finding.")
    flicker_depth: float = _limit(
        0.01,
        "Depth of the pulse, of the light, at least.",
        PUBLISHED + "lamps pulse at twice the mains, by physics; the depth that is seen is common practice.",
    )
    flicker_above: float = _limit(5.0, "Times what frequencies near it have, at least.")
    shake: float = _limit(0.006, "Of the picture's height, root mean square, at most.")
    tilt_degrees: float = _limit(1.5, "Lean of a horizon, degrees, at most.")
    tilt_support: float = _limit(0.8, "Of the width over which the edge is there, at least.")
    tilt_stands_out: float = _limit(4.0, "Times the typical line, at least.")
    carried_steady: float = _limit(0.2, "Share of time that a carried camera is steady, at most.")
    carried_longest: float = _limit(1.0, "Longest steady stretch of a carried camera, s, at most.")
    carried_seconds: float = _limit(3.0, "Length that must have been looked at, s.")
    hunting: HuntingLimits = Field(
        default_factory=HuntingLimits, description="When focus hunts; a table of its own."
    )


class SoundLimits(_Limits):
    """Levels are dB re full scale."""

    rate: int = _limit(48_000, "Sampling rate, Hz.", PUBLISHED + "AES5, preferred rate for programmes.")
    zero_share: float = _limit(0.999, "Of samples that are zero on a channel to which nothing was recorded.")
    zero_seconds: float = _limit(1.0, "Stretch of zeros that is a finding, s.")
    silent_db: float = _limit(-70.0, "Level under which there is no signal, dBFS.")
    silent_share: float = _limit(0.95, "Share of time without signal that makes a dead channel.")
    lost_db: float = _limit(-75.0, "Level under which a signal is lost, dBFS.")
    lost_from_db: float = _limit(-60.0, "Usual level of a channel whose signal can be lost, dBFS.")
    lost_seconds: float = _limit(10.0, "Lost signal that is a finding, s.")
    offset: float = _limit(0.01, "Mean of a channel, of full scale, at most.")
    same_residual_db: float = _limit(
        -50.0, "What is left of a channel without the other when both are one, dB."
    )
    same_gain_db: float = _limit(0.5, "Gain between two channels that are one, dB, at most.")
    follows_residual_db: float = _limit(-17.0, "What is left when a channel follows the other, dB, at most.")
    safety_least_db: float = _limit(3.0, "A safety track is lower by this, dB, at least.")
    safety_most_db: float = _limit(24.0, "A safety track is lower by this, dB, at most.")
    pair_seconds: float = _limit(5.0, "Sound on both channels that is needed to compare them, s.")
    flat_tops: int = _limit(5, "Flat tops in a clip that make it clipped.")
    flat_tops_bad: float = _limit(20.0, "Flat tops a minute that make it a fault.")
    true_peak_dbtp: float = _limit(
        -1.0, "True peak, dBTP, at most.", PUBLISHED + "EBU R 128, maximum true peak of a programme."
    )
    speech_peak_db: float = _limit(-30.0, "Peak of speech, dBFS, at least.")
    speech_share: float = _limit(0.2, "Share of time with speech from which it is judged.")
    hum_prominence_db: float = _limit(12.0, "A line of hum stands above its neighbourhood by this, dB.")
    hum_lines: int = _limit(2, "Lines of hum that are a finding.")
    hum_level_db: float = _limit(-70.0, "Level of hum that is a finding, dBFS.")
    hum_bad_db: float = _limit(-50.0, "Level of hum that is a warning, dBFS.")
    wind_share: int = _limit(60, "Of the energy below 80 Hz when there is wind, %.")
    wind_level_db: float = _limit(-45.0, "Level of wind below 80 Hz, dBFS, at least.")
    wind_jitter_db: float = _limit(2.0, "Change of that level within a quarter second, dB, at least.")
    wind_seconds: float = _limit(3.0, "Wind that is a finding, s.")
    thuds: int = _limit(2, "Thuds in a clip that are a finding.")
    dropouts: int = _limit(1, "Dropouts in a clip that are a finding.")
