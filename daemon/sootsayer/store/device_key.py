"""The device's key: signs the head of the chain so that a later change cannot pass for ours.

Ed25519 (RFC 8032). The key is a file beside the archive that only its owner may read; the public
half goes into the archive with every signature. What this proves: nothing up to a signed head was
changed by someone without the key. Who holds the device may sign what they like.
"""

from __future__ import annotations

import hashlib
import os
import sqlite3
from dataclasses import dataclass
from pathlib import Path

from sootsayer.model import SootsayerError
from sootsayer.store import ledger

KEY_NAME = "device.key"
HEAD_COLUMNS = "id, t_ms, entry, link, public_key, signature"


@dataclass(frozen=True, slots=True)
class Head:
    """A row of table ``head``: the chain up to ``entry`` was so at log time ``t_ms``."""

    id: int
    t_ms: int
    entry: int
    link: bytes
    public_key: bytes
    signature: bytes


class DeviceKey:
    """A private key in memory."""

    def __init__(self, seed: bytes) -> None:
        from nacl.signing import SigningKey  # 4 MB that only who signs or verifies should pay

        self._key = SigningKey(seed)
        self.public = bytes(self._key.verify_key)

    @classmethod
    def beside(cls, archive: Path) -> DeviceKey:
        """The key in the archive's folder, made on first use. Raises SootsayerError."""
        path = archive.parent / KEY_NAME
        try:
            return cls(bytes.fromhex(path.read_text(encoding="ascii").strip()))
        except FileNotFoundError:
            return cls(_made(path))
        except (OSError, ValueError) as trouble:
            raise SootsayerError(
                f"device key {path}: cannot be read ({trouble}); put the right file back, or move "
                "it away and a new key is made"
            ) from trouble

    def sign(self, text: bytes) -> bytes:
        return bytes(self._key.sign(text).signature)


def fingerprint(public_key: bytes) -> str:
    """Twelve hexadecimal digits for people to compare."""
    return hashlib.sha256(public_key).hexdigest()[:12]


def sign_head(connection: sqlite3.Connection, key: DeviceKey, t_ms: int) -> bool:
    """Sign the chain as it stands, in the transaction that is open, unless that was done."""
    entry, link = ledger.last(connection)
    signed = connection.execute("SELECT max(entry) FROM head").fetchone()[0]
    if entry == (signed or 0):
        return False
    text = head_text(ledger.archive_id(connection), t_ms, entry, link)
    connection.execute(
        "INSERT INTO head (t_ms, entry, link, public_key, signature) VALUES (?, ?, ?, ?, ?)",
        (t_ms, entry, link, key.public, key.sign(text)),
    )
    return True


def heads(connection: sqlite3.Connection) -> list[Head]:
    found = connection.execute(f"SELECT {HEAD_COLUMNS} FROM head ORDER BY id").fetchall()
    return [Head(*row[:3], *(bytes(part) for part in row[3:])) for row in found]


def signed_by(head: Head, archive: str) -> bool:
    """Whether the signature fits the head and its public key."""
    from nacl.exceptions import BadSignatureError
    from nacl.signing import VerifyKey

    try:
        text = head_text(archive, head.t_ms, head.entry, head.link)
        VerifyKey(head.public_key).verify(text, head.signature)
    except (BadSignatureError, ValueError, TypeError):
        return False
    return True


def head_text(archive: str, t_ms: int, entry: int, link: bytes) -> bytes:
    """What is signed."""
    return f"sootsayer head\n{archive}\n{t_ms}\n{entry}\n{link.hex()}".encode("ascii")


def _made(path: Path) -> bytes:
    seed = os.urandom(32)
    try:
        part = path.with_name(f"{path.name}.part")  # half a key after a power cut would be none
        part.unlink(missing_ok=True)
        number = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(number, "w", encoding="ascii") as file:
            file.write(seed.hex() + "\n")
            file.flush()
            os.fsync(file.fileno())
        part.rename(path)
    except OSError as trouble:
        raise SootsayerError(
            f"device key {path}: cannot be made ({trouble}); the folder must be writable"
        ) from trouble
    return seed
