"""TLS to the broker: its certificate is always verified; with one of our own we show who we are."""

from __future__ import annotations

import ssl
from dataclasses import dataclass
from pathlib import Path

from ingest.errors import BadInputError


@dataclass(frozen=True)
class Tls:
    """Names of files in PEM form.

    ``ca`` is the authority that signed the broker's certificate (None: those that the system trusts); ``cert`` and
    ``key`` are shown to a broker that asks who we are.
    """

    ca: str | None = None
    cert: str | None = None
    key: str | None = None


def context(tls: Tls) -> ssl.SSLContext:
    """Return a context that demands TLS 1.2 or newer, a trusted certificate, and the broker's own name on it.

    Raises
    ------
    BadInputError
        A file cannot be read or is not what it should be; the line names it.
    """
    for name in ("ca", "cert", "key"):
        path = getattr(tls, name)
        if path is not None:
            _check_readable(f"broker_tls_{name}", path)
    try:
        made = ssl.create_default_context(cafile=tls.ca)
    except ssl.SSLError:
        raise BadInputError(f"broker_tls_ca: {tls.ca} holds no certificate; name a PEM file") from None
    made.minimum_version = ssl.TLSVersion.TLSv1_2
    if tls.cert is not None:
        try:
            made.load_cert_chain(tls.cert, tls.key, password=lambda: b"")  # never asks at a terminal
        except (ssl.SSLError, ValueError):
            raise BadInputError(
                f"broker_tls_cert: {tls.cert} cannot be used with the key {tls.key}; both must be PEM and belong "
                "together, and the key must have no password"
            ) from None
    return made


def _check_readable(name: str, path: str) -> None:
    try:
        Path(path).open("rb").close()
    except OSError as error:
        raise BadInputError(f"{name}: {path} cannot be read ({error.strerror}); name a readable PEM file") from None
