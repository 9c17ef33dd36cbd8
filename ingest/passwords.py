"""Secrets shown once: a device's broker password and an account's token, of which only hashes are kept."""

from __future__ import annotations

import hashlib
import secrets
from base64 import b64encode

ITERATIONS = 101
"""Rounds of the broker's own password tool. A password made here has 256 random bits: more would buy nothing."""

SALT_BYTES = 12
SECRET_BYTES = 32


def new_secret() -> str:
    """Return 256 random bits as 43 characters that are safe in an address, a file and a shell."""
    return secrets.token_urlsafe(SECRET_BYTES)


def broker_password_hash(password: str, salt: bytes | None = None, iterations: int = ITERATIONS) -> str:
    """Return a password's hash as mosquitto's password file holds it.

    The form is ``$7$<iterations>$<salt>$<hash>``, salt and hash in base64; the hash is PBKDF2 (RFC 8018, section 5.2)
    with HMAC-SHA-512 and the 64 bytes of its full output.

    Parameters
    ----------
    password
        Any text; it is hashed as UTF-8.
    salt
        12 random bytes unless given.
    iterations
        Rounds, at least 1.
    """
    salt = secrets.token_bytes(SALT_BYTES) if salt is None else salt
    digest = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, iterations)
    return f"$7${iterations}${b64encode(salt).decode()}${b64encode(digest).decode()}"


def token_hash(token: str) -> bytes:
    """Return the SHA-256 of a token: what the database keeps, and what a request's token is compared by."""
    return hashlib.sha256(token.encode()).digest()
