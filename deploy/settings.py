"""Settings from the environment: ``HALFSECOND_*``, and ``HALFSECOND_*_FILE`` for what should not stand in it.

Only this module reads the environment; everything below takes arguments.
"""

from __future__ import annotations

import difflib
import os
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, get_args, get_origin, get_type_hints
from urllib.parse import SplitResult, unquote, urlsplit

import msgspec
from msgspec import Meta
from msgspec.structs import asdict

from deploy.embedded.broker import BrokerAddress
from ingest.errors import BadInputError
from ingest.tls import Tls

PREFIX = "HALFSECOND_"
DEFAULT_PORT = 8021
SECRETS = frozenset({"database", "broker", "broker_password", "token"})
"""Settings that may come from a file named by ``HALFSECOND_..._FILE`` instead."""

Days = Annotated[int, Meta(ge=60, le=36_500)]
Port = Annotated[int, Meta(ge=1, le=65535)]


class Settings(msgspec.Struct, frozen=True, kw_only=True):
    """Every setting; the name in the environment is ``HALFSECOND_`` and the field's name in capitals."""

    database: Annotated[
        str | None,
        Meta(description="Database, `postgresql://...` or `host=... dbname=...`; without it the embedded one is used."),
    ] = None
    broker: Annotated[
        str | None,
        Meta(
            description="Broker, `mqtt://HOST:1883` or, over TLS, `mqtts://HOST:8883`; "
            "without it the embedded one is used."
        ),
    ] = None
    broker_user: Annotated[str | None, Meta(description="Who intake signs in to the broker as.")] = None
    broker_password: Annotated[str | None, Meta(description="What intake signs in to the broker with.")] = None
    broker_protocol: Annotated[
        Literal["3.1.1", "5"], Meta(description="Version of MQTT that intake speaks: `3.1.1` or `5`.")
    ] = "3.1.1"
    broker_kind: Annotated[
        Literal["auto", "mosquitto", "iotcore"],
        Meta(
            description="Embedded broker: `mosquitto`, `iotcore` (in memory) or `auto`, the first if it is installed."
        ),
    ] = "auto"
    broker_port: Annotated[
        Port | None, Meta(description="Port of the embedded broker on the loopback; without it a free one.")
    ] = None
    broker_tls_ca: Annotated[
        Path | None,
        Meta(description="File of the authority that signed the broker's certificate; without it those of the system."),
    ] = None
    broker_tls_cert: Annotated[
        Path | None, Meta(description="File of the certificate that intake shows the broker, if it asks for one.")
    ] = None
    broker_tls_key: Annotated[Path | None, Meta(description="File of the key of that certificate.")] = None
    client_id: Annotated[
        str, Meta(description="Intake's fixed name at the broker, which its queue is kept under.", min_length=1)
    ] = "halfsecond-intake"
    share: Annotated[
        str | None,
        Meta(
            description="Group of a shared subscription: intakes with the same one share the messages, each with a "
            "number of its own behind its name.",
        ),
    ] = None
    mapping: Annotated[
        Path | None,
        Meta(description="Mapping of loggers that do not speak the contract, a `.toml` file or a folder of them."),
    ] = None
    data: Annotated[Path, Meta(description="Folder of the embedded database and broker.")] = Path("halfsecond-data")
    listen: Annotated[str, Meta(description="Where the pages listen, `HOST:PORT`.")] = f"127.0.0.1:{DEFAULT_PORT}"
    token: Annotated[
        str | None,
        Meta(description="Secret that readers of the pages must bring; demanded if they listen beyond this machine."),
    ] = None
    account: Annotated[
        str | None, Meta(description="Contractor whose units the pages show; without it the only one there is.")
    ] = None
    title: Annotated[str, Meta(description="Name at the head of each page.")] = "Halfsecond"
    link: Annotated[
        str | None,
        Meta(
            description="What the addresses of pages in notices begin with, such as `https://heat.example.org`; "
            "without it notices carry none."
        ),
    ] = None
    clock: Annotated[
        Literal["wall", "data"],
        Meta(description="What now is: `wall` the machine's clock, `data` the newest start heard (a replayed winter)."),
    ] = "wall"
    batch: Annotated[
        int, Meta(description="Largest number of messages that intake commits together.", ge=1, le=100_000)
    ] = 1000
    linger_s: Annotated[
        float, Meta(description="Longest that intake waits for a batch to fill, in seconds.", ge=0, le=60)
    ] = 0.05
    keep_days: Annotated[
        Days | None,
        Meta(
            description="Days that starts, rests, events, verdicts and forecasts are kept, from 60; without it all are."
        ),
    ] = None
    watch_every_s: Annotated[
        float, Meta(description="How often the watch looks for changed units, in seconds.", gt=0, le=3600)
    ] = 2.0
    metrics_port: Annotated[
        Port | None, Meta(description="Port on which intake answers `/metrics` (Prometheus), `/healthz` and `/readyz`.")
    ] = None
    metrics_host: Annotated[str, Meta(description="Where that port listens; it asks nobody who they are.")] = (
        "127.0.0.1"
    )

    def broker_address(self) -> BrokerAddress | None:
        """Return where the broker is that the settings name, or None for the embedded one."""
        if self.broker is None:
            return None
        parts = _broker_parts(self.broker)
        user = self.broker_user or (unquote(parts.username) if parts.username else None)
        password = self.broker_password or (unquote(parts.password) if parts.password else None)
        version: Literal[4, 5] = 5 if self.broker_protocol == "5" else 4
        port = parts.port or (8883 if self.broker_tls() else 1883)
        return BrokerAddress(parts.hostname or "", port, "other", user, password, version)

    def broker_tls(self) -> Tls | None:
        """Return what intake needs for TLS to the broker, or None where it speaks in clear text."""
        given = {"ca": self.broker_tls_ca, "cert": self.broker_tls_cert, "key": self.broker_tls_key}
        if self.broker is not None and _broker_parts(self.broker).scheme == "mqtts":
            if (self.broker_tls_cert is None) != (self.broker_tls_key is None):
                raise BadInputError("HALFSECOND_BROKER_TLS_CERT and HALFSECOND_BROKER_TLS_KEY go together; name both")
            return Tls(**{name: str(path) if path else None for name, path in given.items()})
        for name, path in given.items():
            if path is not None:
                raise BadInputError(
                    f"HALFSECOND_BROKER_TLS_{name.upper()}: is for a broker over TLS; write HALFSECOND_BROKER=mqtts://..."
                )
        return None

    def listen_address(self) -> tuple[str, int]:
        """Return host and port of the pages."""
        return split_address(self.listen, "HALFSECOND_LISTEN")


def read(environment: Mapping[str, str] | None = None) -> Settings:
    """Read the settings.

    Parameters
    ----------
    environment
        The process's own unless given.

    Raises
    ------
    BadInputError
        A value that cannot be used, a name that does not exist, a secret given twice or a file that cannot be read:
        one line that names the variable and the remedy, and never shows a secret.
    """
    environment = os.environ if environment is None else environment
    known = {variable(name): name for name in Settings.__struct_fields__}
    values: dict[str, str] = {}
    for given in sorted(environment):
        if not given.startswith(PREFIX) or given.startswith(PREFIX + "TEST_"):
            continue
        plain = given.removesuffix("_FILE")
        if plain not in known or (given != plain and known[plain] not in SECRETS):
            near = difflib.get_close_matches(given, known, 1)
            raise BadInputError(f"{given}: there is no such setting" + (f"; is {near[0]} meant?" if near else ""))
        if known[plain] in values:
            raise BadInputError(f"{plain}: given both in the environment and by {plain}_FILE; keep one")
        text = environment[given] if given == plain else _read_file(given, environment[given])
        if text:
            values[known[plain]] = text
    try:
        settings = msgspec.convert(values, Settings, strict=False, dec_hook=_path)
    except msgspec.ValidationError as error:
        what, _, where = str(error).partition(" - at `$.")
        name = where.rstrip("`")
        choices = _choices(name)
        what = what.replace("`int`", "a whole number").replace("`float`", "a number").removesuffix(", got `str`")
        remedy = f"write one of {', '.join(choices)}" if choices else what.replace("Expected", "write")
        raise BadInputError(f"{variable(name)}: '{values.get(name, '')}' cannot be used: {remedy}") from None
    settings.listen_address()
    settings.broker_address()
    settings.broker_tls()
    if settings.link is not None and not re.fullmatch(r"https?://[^\s?#]+", settings.link):
        raise BadInputError(f"HALFSECOND_LINK: '{settings.link}' is no address; write https://HOST without ? and #")
    if settings.share is not None and re.search(r"[/+#\s]", settings.share):
        raise BadInputError(f"HALFSECOND_SHARE: '{settings.share}' is no group's name; write one word without / + #")
    return settings


def variable(name: str) -> str:
    """Return the name in the environment of a setting."""
    return PREFIX + name.upper()


def environment_of(settings: Settings) -> dict[str, str]:
    """Return this process's environment with exactly these settings, for a child."""
    others = {name: value for name, value in os.environ.items() if not name.startswith(PREFIX)}
    return others | {variable(name): str(value) for name, value in asdict(settings).items() if value is not None}


def table() -> str:
    """Return the settings as a Markdown table, for the operating guide."""
    hints = get_type_hints(Settings, include_extras=True)
    rows = ["| variable | default | what it sets |", "|---|---|---|"]
    for name, default in asdict(Settings()).items():
        also = f" Or `{variable(name)}_FILE`: a file that holds it." if name in SECRETS else ""
        shown = "" if default is None else f"`{default}`"
        rows.append(f"| `{variable(name)}` | {shown} | {hints[name].__metadata__[0].description}{also} |")
    return "\n".join(rows)


def split_address(text: str, name: str) -> tuple[str, int]:
    """Split ``HOST:PORT`` (``[::1]:PORT`` for an IPv6 address), or raise BadInputError naming ``name``."""
    found = re.fullmatch(r"(?:\[([0-9A-Fa-f:.]+)\]|([^:\s]+)):(\d{1,5})", text.strip())
    if not found or not 1 <= int(found[3]) <= 65535:
        raise BadInputError(f"{name}: '{text}' is not HOST:PORT; write for example 127.0.0.1:{DEFAULT_PORT}")
    return found[1] or found[2], int(found[3])


def _choices(name: str) -> tuple[str, ...]:
    kind = get_type_hints(Settings).get(name)
    return get_args(kind) if get_origin(kind) is Literal else ()


def _path(kind: type, value: Any) -> Any:  # noqa: ANN401 - the hook's own signature
    return kind(value).expanduser() if kind is Path else value


def _read_file(name: str, path: str) -> str:
    try:
        return Path(path).read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is not text"
        raise BadInputError(f"{name}: {path} cannot be read ({reason}); name a readable file") from None


def _broker_parts(text: str) -> SplitResult:
    try:
        parts = urlsplit(text if "//" in text else f"mqtt://{text}")
        if parts.scheme in {"mqtt", "mqtts"} and parts.hostname and parts.port != 0:
            return parts
    except ValueError:
        pass
    raise BadInputError("HALFSECOND_BROKER: not an address of the form mqtt://HOST:PORT or mqtts://HOST:PORT")
