"""The bench's own private key: one file beside the log, readable by its owner alone, never sent and never copied."""

from __future__ import annotations

import os
import re
import secrets
from pathlib import Path

from capture.domain.signature import Signer
from capture.errors import StoreError
from capture.store.eventlog import sync_folder

NAME = "bench.key"
_WRITTEN = re.compile(r"[0-9a-f]{64}\n")


def bench_key(folder: Path) -> Signer:
    """Return the key of the bench whose data folder this is, made on first use.

    Raises:
        StoreError: the file cannot be made or read, is damaged, or others may read it.
    """
    path = folder / NAME
    try:
        if not path.exists():
            _make(path)
        others_may_read = path.stat().st_mode & 0o077
        text = path.read_text(encoding="ascii")
    except (OSError, UnicodeDecodeError) as error:
        raise StoreError(f"Key {path} cannot be used ({error}); check the disk, or put the file back") from None
    if others_may_read:
        raise StoreError(f"Key {path} can be read by others; run: chmod 600 {path}")
    if not _WRITTEN.fullmatch(text):
        raise StoreError(f"Key {path} is damaged; put it back, or move it away and enrol this bench again")
    return Signer(bytes.fromhex(text.strip()))


def _make(path: Path) -> None:
    """Write a new key; of two programs that start at once, both take the one that was first."""
    part = path.with_name(f"{NAME}.{secrets.token_hex(8)}.part")
    try:
        with open(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="ascii") as file:
            file.write(f"{secrets.token_bytes(32).hex()}\n")
            file.flush()
            os.fsync(file.fileno())
        try:
            os.link(part, path)
        except FileExistsError:
            return
        sync_folder(path.parent)
    finally:
        part.unlink(missing_ok=True)
