"""Every setting, in one class. Nothing here is read at import: a composition root calls `load_settings`.

A value comes from, in this order: an argument, the environment (`RUSHLIGHT_` and the field's name),
`config.toml` in the catalogue's folder, the default below.
"""

from __future__ import annotations

import os
import tomllib
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict, SettingsError

from shared.errors import UsageError
from shared.finding_limits import PictureLimits, SoundLimits

CONFIG_NAME = "config.toml"
Algorithm = Literal["xxh128", "xxh3", "xxh64", "md5", "sha1", "c4"]
LogLevel = Literal["debug", "info", "warning", "error"]
LogForm = Literal["text", "json"]


def user_data_folder() -> Path:
    """`$XDG_DATA_HOME/rushlight`, by the XDG Base Directory Specification 0.8."""
    base = os.environ.get("XDG_DATA_HOME", "")
    # The specification: a relative path here is to be ignored.
    root = Path(base) if base and Path(base).is_absolute() else Path.home() / ".local" / "share"
    return root / "rushlight"


class WatchRule(BaseModel):
    """What to do with a card whose folder name matches `card` (a shell pattern)."""

    model_config = ConfigDict(extra="forbid")

    card: str = Field("*", description="Shell pattern for the folder or volume name of the card.")
    camera: str | None = Field(None, description="Letter of the camera that fills such cards.")
    production: str | None = Field(None, description="Production; without it, the latest.")
    to: list[str] = Field(description="Names under [destinations], or absolute folders, two or more.")


class Settings(BaseSettings):
    """All settings, with their help."""

    model_config = SettingsConfigDict(
        env_prefix="RUSHLIGHT_",
        env_ignore_empty=True,  # an empty RUSHLIGHT_HOME is none, not the folder one happens to be in
        extra="forbid",
        validate_default=True,
    )

    home: Path = Field(
        default_factory=user_data_folder,
        description="Folder that holds the catalogue, the stills and config.toml.",
    )
    database: str = Field(
        "",
        description="SQLAlchemy URL of the catalogue. Empty: the file catalogue.db in the home folder.",
    )
    algorithm: Algorithm = Field(
        "xxh128",
        description="Hash taken of every file: xxh128 (XXH3, 128 bits), xxh3 (64), xxh64, md5, sha1 or c4.",
    )
    author: str = Field(
        "",
        max_length=100,
        description="Name your edits are signed with. Empty: the one you are signed in by.",
    )
    buffer_mib: int = Field(4, ge=1, le=64, description="Size of one copy buffer, in MiB.")
    buffers: int = Field(6, ge=2, le=64, description="How many copy buffers stand between card and drives.")
    settle_workers: int = Field(
        3, ge=1, le=16, description="Threads for each destination that sync, re-read and compare copies."
    )
    margin_percent: int = Field(
        1, ge=0, le=50, description="Space that must stay free beyond the copy, in percent of it."
    )
    media_workers: int = Field(1, ge=1, le=16, description="Child processes that read facts and take stills.")
    media_seconds: int = Field(60, ge=1, description="Longest time a media child may take over one file.")
    media_memory_mib: int = Field(2048, ge=256, description="Address space a media child may use, in MiB.")
    measure: bool = Field(True, description="Measure picture and sound of every clip, and judge the numbers.")
    measure_workers: int = Field(
        2, ge=1, le=16, description="Child processes that measure, each of the lowest priority."
    )
    picture_limits: PictureLimits = Field(
        default_factory=PictureLimits,
        description="What counts as a finding in the picture, [picture_limits] in config.toml.",
    )
    sound_limits: SoundLimits = Field(
        default_factory=SoundLimits,
        description="What counts as a finding in the sound, [sound_limits] in config.toml.",
    )
    stills: int = Field(3, ge=1, le=24, description="Stills taken of each clip.")
    still_width: int = Field(640, ge=64, le=3840, description="Width of a still, in pixels.")
    host: str = Field("127.0.0.1", description="Address the service listens on.")
    port: int = Field(8640, ge=0, le=65535, description="Port the service listens on; 0 takes a free one.")
    token: str = Field(
        "",
        description="Token that may do all, for callers beyond loopback; `rushlight token` makes others.",
    )
    calls_per_second: int = Field(
        50, ge=1, le=100_000, description="Calls of one caller beyond loopback; ten times as many at once."
    )
    log_level: LogLevel = Field(
        "warning", description="Least that the service logs: debug, info (every call), warning or error."
    )
    log_form: LogForm = Field("text", description="Lines of the log: text for people, json for programs.")
    quiet_seconds: float = Field(
        3.0, gt=0, description="How long a mounted card must not change before it is offloaded."
    )
    poll_seconds: float = Field(1.0, gt=0, description="How often the worker looks for requests.")
    stale_seconds: float = Field(
        60.0, gt=0, description="Age of a heartbeat after which a running request is queued again."
    )
    destinations: dict[str, Path] = Field(
        default_factory=dict, description="Named folders that receive copies, [destinations] in config.toml."
    )
    watch_folders: list[Path] = Field(
        default_factory=list, description="Folders under which cards appear, such as /media/you."
    )
    watch: list[WatchRule] = Field(
        default_factory=list, description="Rules for cards that appear, [[watch]] in config.toml."
    )

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        return init_settings, env_settings, _ConfigFile(settings_cls, init_settings, env_settings)

    @property
    def database_url(self) -> str:
        return self.database or f"sqlite:///{self.home / 'catalogue.db'}"

    @property
    def stills_folder(self) -> Path:
        return self.home / "stills"


class _ConfigFile(PydanticBaseSettingsSource):
    """`config.toml` of the home folder that the arguments or the environment name."""

    def __init__(
        self,
        settings_cls: type[BaseSettings],
        arguments: PydanticBaseSettingsSource,
        env: PydanticBaseSettingsSource,
    ) -> None:
        super().__init__(settings_cls)
        home = arguments().get("home") or env().get("home") or user_data_folder()
        self._path = Path(str(home)).expanduser() / CONFIG_NAME

    def get_field_value(self, field: Any, field_name: str) -> tuple[Any, str, bool]:
        return None, field_name, False  # the whole file is given at once, by __call__

    def __call__(self) -> dict[str, Any]:
        try:
            values = tomllib.loads(self._path.read_bytes().decode())
        except (FileNotFoundError, NotADirectoryError):
            return {}
        except OSError as error:
            raise UsageError(
                f"can't be read: {error.strerror}",
                path=str(self._path),
                remedy="Give yourself the right to read it, or move it away.",
            ) from error
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            raise UsageError(
                f"not valid TOML: {error}", path=str(self._path), remedy="Mend the file or move it away."
            ) from error
        if "home" in values:
            raise UsageError(
                "`home` can't stand in this file, which is looked for in the home folder",
                path=str(self._path),
                remedy="Set RUSHLIGHT_HOME instead.",
            )
        return values


def load_settings(**arguments: Any) -> Settings:
    """Read all settings. Raises UsageError that names the field, its source and what it may be."""
    try:
        settings = Settings(**arguments)
    except ValidationError as error:
        first = error.errors()[0]
        field = ".".join(str(part) for part in first["loc"])
        name = str(first["loc"][0])
        given = "" if name == "token" else f" (given: {first['input']!r})"
        raise UsageError(
            f"setting {field}: {first['msg']}{given}",
            remedy=f"Change RUSHLIGHT_{name.upper()}, or `{field}` in {CONFIG_NAME}: `rushlight settings`.",
        ) from error
    except SettingsError as error:  # a list or a table in the environment is written as JSON
        raise UsageError(
            f"{error}: it is not valid JSON",
            remedy='Write lists as ["/media/you"] and tables as {"first": "/media/drive-1"}.',
        ) from error
    home = settings.home.expanduser()
    return settings.model_copy(update={"home": home if home.is_absolute() else Path.cwd() / home})
