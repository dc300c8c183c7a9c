"""Settings of one installation: defaults, then a file in the data folder, then the environment."""

import tomllib
from pathlib import Path
from typing import Literal
from urllib.parse import urlsplit

from pydantic import Field, SecretStr, ValidationError, field_validator
from pydantic_settings import (
    BaseSettings,
    PydanticBaseSettingsSource,
    SettingsConfigDict,
    TomlConfigSettingsSource,
)

from services.errors import ConfigurationError

DEFAULT_PORT = 8420
_PLACEHOLDERS = frozenset({"changeme", "change-me", "password", "secret", "replace_me", "todo"})


class Settings(BaseSettings):
    """Everything that differs between installations; frozen, handed down by the composition root."""

    model_config = SettingsConfigDict(env_prefix="BUSHLARDER_", extra="forbid", frozen=True)

    data: Path
    """Folder that holds the databases, the broker's state and the logs."""
    host: str = "127.0.0.1"
    """Address the pages are served on; another than this machine's needs TLS (next settings)."""
    port: int = Field(default=DEFAULT_PORT, ge=1, le=65535)
    """Port the pages are served on."""
    behind_tls_proxy: bool = False
    """Whether a proxy with TLS stands in front; it must send X-Forwarded-Proto and X-Forwarded-For."""
    proxy_addresses: str = "127.0.0.1"
    """Addresses that proxy comes from, separated by commas; only theirs of those headers are believed."""
    tls_certificate: Path | None = None
    """Certificate (and chain) of the pages, where no proxy stands in front."""
    tls_key: Path | None = None
    """Its key."""
    tls_authority: Path | None = None
    """The authority that signed it, where phones have to install one: told at /trust."""
    trust_port: int | None = Field(default=None, ge=1, le=65535)
    """Port on which /trust, and nothing else, answers without TLS: for phones that do not know it yet."""
    public_url: str | None = None
    """``https://NAME`` under which phones find the pages: links in messages lead there; None: no links."""
    access: Literal["accounts", "demo"] = "accounts"
    """demo: nobody has a password, everybody at this machine may do everything."""
    broker_url: str | None = None
    """``mqtts://HOST:PORT`` of a broker that is already there; ``mqtt://`` only on this machine.

    None starts one: that of `broker_folder`, or without a folder one for this machine only.
    """
    broker_folder: Path | None = None
    """What `bushlarder setup broker` made: `run` starts this broker, `unit` gives its credentials."""
    broker_user: str | None = None
    broker_password: SecretStr | None = None
    broker_password_file: Path | None = None
    """Holds the password, so that it stands in no environment."""
    broker_ca: Path | None = None
    """The root to believe of an ``mqtts://`` broker; None is what the machine believes."""
    broker_certificate: Path | None = None
    broker_key: Path | None = None
    """What the service shows to a broker that asks for a certificate."""
    mail_from: str | None = None
    """Address messages come from, ``name@place`` or ``Name <name@place>``; None: no mail is sent."""
    mail_host: str | None = None
    """Mail server that takes messages from us; None: that of a large provider, known by `mail_from`."""
    mail_port: int | None = Field(default=None, ge=1, le=65535)
    """Its port; None: 587 with starttls, 465 with tls, 25 with none."""
    mail_tls: Literal["starttls", "tls", "none"] | None = None
    """How the way there is encrypted; none on this machine, or without a login, only."""
    mail_user: str | None = None
    """Login there; None: the address of `mail_from`, where there is a password."""
    mail_password_file: Path | None = None
    """Holds the password for it, so that it stands in no environment."""
    mail_ca: Path | None = None
    """The root to believe of that server; None is what the machine believes."""
    notify_inside: bool = False
    """Whether messages may go to addresses inside of our own network, there without TLS too."""
    webhook_secret_file: Path | None = None
    """Secret from which those of signed calls are made; None: made in the data folder when first needed."""
    records_url: str | None = None
    """``postgresql://USER@HOST/NAME`` of a database for the records; None is a file in the data folder."""
    records_password_file: Path | None = None
    """Holds that database's password, so that it stands in no environment."""
    store: Literal["sqlite", "influx"] = "sqlite"
    """Where samples are kept: a file here, or an InfluxDB with a ledger here."""
    influx_url: str | None = None
    """``https://HOST:PORT`` of the InfluxDB."""
    influx_org: str = "-"
    """Organisation of the bucket; 1.x has none."""
    influx_bucket: str = "bushlarder"
    """Bucket for the samples; on 1.x the database."""
    influx_token: SecretStr | None = None
    """Token for the bucket; on 1.x ``USER:PASSWORD``."""
    influx_token_file: Path | None = None
    """Holds the token, so that it stands in no environment."""
    seal_after_days: float = Field(default=28.0, ge=1.0)
    """Weeks that ended so long ago are sealed: a tenth of the size, and read faster. [d]"""
    reserve_mb: int = Field(default=256, ge=0)
    """Room on the disk that ingest leaves free, for what people say and for getting out. [MB]"""
    backup_to: Path | None = None
    """Folder of the backups `bushlarder doctor` looks at."""
    keep_records_days: int = Field(default=731, ge=400)
    """How long what people said, and how verdicts changed, is kept; what is in force stays. [d]"""
    positions: bool = False
    """Whether the manager's map shows where vehicles are, to about five kilometres."""
    log_level: str = "info"
    """debug, info, warning or error."""

    @field_validator("broker_password", "influx_token")
    @classmethod
    def _no_placeholder(cls, value: SecretStr | None) -> SecretStr | None:
        if value is not None and value.get_secret_value().lower() in _PLACEHOLDERS:
            raise ValueError("a placeholder is not a password")
        return value

    @field_validator("broker_url", "influx_url")
    @classmethod
    def _no_secret_in_it(cls, value: str | None) -> str | None:
        # An address stands in lists of processes, logs and backups.
        if value is not None and urlsplit(value).password is not None:
            raise ValueError("must not hold a password: it goes into the setting, or file, made for it")
        return value

    @field_validator("public_url")
    @classmethod
    def _only_where(cls, value: str | None) -> str | None:
        if value is None:
            return None
        parts = urlsplit(value)
        plain = not parts.query and not parts.fragment and parts.username is None
        if parts.scheme not in {"http", "https"} or not parts.hostname or not plain:
            raise ValueError("must be https://NAME, as a phone would type it")
        return value.rstrip("/")

    @field_validator("records_url")
    @classmethod
    def _no_password_in_it(cls, value: str | None) -> str | None:
        if value is not None and (
            urlsplit(value).scheme != "postgresql" or urlsplit(value).password is not None
        ):
            raise ValueError(
                "must be postgresql://USER@HOST/NAME; its password goes into records_password_file"
            )
        return value

    @field_validator("log_level")
    @classmethod
    def _known_level(cls, value: str) -> str:
        if value not in {"debug", "info", "warning", "error"}:
            raise ValueError("must be debug, info, warning or error")
        return value

    @property
    def telemetry_db(self) -> Path:
        """The telemetry store's file."""
        return self.data / "telemetry.db"

    @property
    def ledger_db(self) -> Path:
        """What is held, has changed or was refused, beside an InfluxDB store."""
        return self.data / "ledger.db"

    @property
    def own_map(self) -> Path:
        """The operator's own map, GeoJSON; it need not be there."""
        return self.data / "map.geojson"

    @property
    def records_db(self) -> Path:
        """The records' file."""
        return self.data / "records.db"

    @property
    def records_exports(self) -> Path:
        """Where exports made on the pages wait to be fetched; emptied as the web process begins."""
        return self.data / ".records-exports"


def secret_names() -> frozenset[str]:
    """Return the settings that are secrets themselves, not files that hold one."""
    return frozenset(
        name for name, field in Settings.model_fields.items() if "SecretStr" in str(field.annotation)
    )


def load_settings(data: Path, **overrides: str | int | None) -> Settings:
    """Return the effective settings of a data folder.

    Raises
    ------
    ConfigurationError
        Naming the setting (and the line of the file, for a file that is not TOML).
    """
    file = data / "bushlarder.toml"

    class _Here(Settings):
        @classmethod
        def settings_customise_sources(
            cls,
            settings_cls: type[BaseSettings],
            init_settings: PydanticBaseSettingsSource,
            env_settings: PydanticBaseSettingsSource,
            dotenv_settings: PydanticBaseSettingsSource,
            file_secret_settings: PydanticBaseSettingsSource,
        ) -> tuple[PydanticBaseSettingsSource, ...]:
            del dotenv_settings, file_secret_settings
            return (init_settings, env_settings, TomlConfigSettingsSource(settings_cls, toml_file=file))

    try:
        tomllib.loads(file.read_text(encoding="utf-8") if file.exists() else "")
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ConfigurationError(f"is not TOML: {error}", setting=file.name) from error
    given: dict[str, object] = {name: value for name, value in overrides.items() if value is not None}
    try:
        return _Here.model_validate({"data": data, **given})
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        raise ConfigurationError(first["msg"], setting=where) from error
