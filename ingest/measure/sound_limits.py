"""What counts as a finding in sound: every limit, its unit, and who says so."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

PUBLISHED, PRACTICE = "published: ", "common practice, no source"


def _limit(value: float, unit: str, source: str = PRACTICE) -> Any:
    return field(default=value, metadata={"unit": unit, "source": source})


@dataclass(frozen=True, slots=True)
class SoundLimits:
    """Levels are dB re full scale. Changing one needs no new measurement: the numbers are kept."""

    rate: int = _limit(48_000, "Hz", PUBLISHED + "AES5, preferred rate for programmes")
    zero_share: float = _limit(0.999, "share of samples")
    zero_seconds: float = _limit(1.0, "s")
    silent_db: float = _limit(-70.0, "dBFS")
    silent_share: float = _limit(0.95, "share of time")
    lost_db: float = _limit(-75.0, "dBFS")
    lost_from_db: float = _limit(-60.0, "dBFS")
    lost_seconds: float = _limit(10.0, "s")
    offset: float = _limit(0.01, "of full scale")
    same_residual_db: float = _limit(-50.0, "dB")
    same_gain_db: float = _limit(0.5, "dB")
    follows_residual_db: float = _limit(-17.0, "dB")
    safety_least_db: float = _limit(3.0, "dB")
    safety_most_db: float = _limit(24.0, "dB")
    pair_seconds: float = _limit(5.0, "s")
    flat_tops: int = _limit(5, "flat tops in a stretch")
    flat_tops_bad: float = _limit(20.0, "flat tops a minute")
    true_peak_dbtp: float = _limit(-1.0, "dBTP", PUBLISHED + "EBU R 128, maximum true peak of a programme")
    speech_peak_db: float = _limit(-30.0, "dBFS")
    speech_share: float = _limit(0.2, "share of time")
    hum_prominence_db: float = _limit(12.0, "dB over the neighbourhood")
    hum_lines: int = _limit(2, "lines")
    hum_level_db: float = _limit(-70.0, "dBFS")
    hum_bad_db: float = _limit(-50.0, "dBFS")
    wind_share: int = _limit(60, "% of the energy")
    wind_level_db: float = _limit(-45.0, "dBFS")
    wind_jitter_db: float = _limit(2.0, "dB")
    wind_seconds: float = _limit(3.0, "s")
    thuds: int = _limit(2, "thuds")
    dropouts: int = _limit(1, "dropouts")
