"""Secrets shown once, of which only hashes are kept."""

from __future__ import annotations

import shutil
import subprocess
from base64 import b64decode
from pathlib import Path

import pytest

from ingest.passwords import broker_password_hash, new_secret, token_hash


@pytest.mark.pinned
def test_a_broker_hash_is_what_the_brokers_own_tool_made_of_the_same_password_and_salt() -> None:
    # pinned: printed by mosquitto_passwd 2.0.11 for the password "secret".
    made = "$7$101$SmAdp99f12Axh7sD$"
    made += "eMnXQf8VSaagvrqsBVIXbdfYjvq6t9M8A7iiGWLnUlOkjUSJ5KMb9yWgTabq3d27R2JeOgK7kAMXB9UDTJGktA=="
    assert broker_password_hash("secret", salt=b64decode("SmAdp99f12Axh7sD")) == made


@pytest.mark.published
def test_a_broker_hash_is_pbkdf2_with_hmac_sha_512_of_rfc_8018() -> None:
    # published: the first of the widely reproduced PBKDF2-HMAC-SHA-512 vectors ("password", "salt", 1 round, 64 bytes),
    # which take the inputs of RFC 6070; value from memory.
    expected = (
        "867f70cf1ade02cff3752599a3a53dc4af34c7a669815ae5d513554e1c8cf252"
        "c02d470a285a0501bad999bfe943c08f050235d7d68b1da55e63f73b60a57fce"
    )
    _, kind, rounds, salt, digest = broker_password_hash("password", salt=b"salt", iterations=1).split("$")
    assert (kind, rounds, b64decode(salt)) == ("7", "1", b"salt")
    assert b64decode(digest).hex() == expected


@pytest.mark.mosquitto
def test_the_brokers_own_tool_reads_a_file_of_these_hashes(tmp_path: Path) -> None:
    tool = shutil.which("mosquitto_passwd")
    assert tool is not None
    file = tmp_path / "passwords"
    file.write_text(f"d-0001:{broker_password_hash('one')}\nd-0002:{broker_password_hash('two')}\n")
    subprocess.run([tool, "-D", str(file), "d-0001"], check=True)
    assert [line.partition(":")[0] for line in file.read_text().splitlines()] == ["d-0002"]


def test_two_hashes_of_one_password_differ_by_their_salt() -> None:
    assert broker_password_hash("same") != broker_password_hash("same")


def test_secrets_are_long_safe_in_an_address_and_never_twice_the_same() -> None:
    secrets = {new_secret() for _ in range(100)}
    assert len(secrets) == 100
    assert all(
        len(s) == 43 and set(s) <= set("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_")
        for s in secrets
    )


@pytest.mark.published
def test_a_token_is_kept_as_its_sha_256() -> None:
    # published: FIPS 180-4, NIST's example of SHA-256 for the message "abc".
    assert token_hash("abc").hex() == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
