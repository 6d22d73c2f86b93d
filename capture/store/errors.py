"""What can be wrong with an event log. Each is one line with its remedy; nothing was stored when one is raised."""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path

from capture.errors import StoreError


class LogFull(StoreError):
    """The disk has no room for the event."""


class LogReadOnly(StoreError):
    """The log's folder or file cannot be written."""


class LogDamaged(StoreError):
    """The file is no event log, or it is damaged."""


class LogLocked(StoreError):
    """Another program holds the log and did not let go in time."""


class LogOfAnotherBench(StoreError):
    """The log belongs to a bench of another name."""


class LogTooNew(StoreError):
    """The log was written by a newer program."""


class LogNotSigned(StoreError):
    """The log's events are signed, and the key to sign the next one is not at hand or is another one."""


class LogCutOff(StoreError):
    """The log's signed end names another last event than the log holds."""


class LogClosed(StoreError):
    """The log was used after `close`."""


# Below this a write that failed for a vague reason failed for want of room.
_NO_ROOM_BYTES = 64 * 1024

_FULL = (sqlite3.SQLITE_FULL,)
_READ_ONLY = (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM)
_DAMAGED = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
_LOCKED = (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)


def explain(error: sqlite3.Error, path: Path) -> StoreError:
    """Turn an error of SQLite into one of ours, by its code and by what the disk looks like."""
    if isinstance(error, sqlite3.ProgrammingError) and "closed" in str(error):
        return LogClosed(f"Event log {path} is closed; open it again")
    code = getattr(error, "sqlite_errorcode", None)
    code = None if code is None else code & 0xFF  # the lowest byte is the family
    if code in _LOCKED:
        return LogLocked(f"Event log {path} is locked by another program; close that program and try again")
    if code in _FULL or (code not in _DAMAGED and _has_no_room(path)):
        return LogFull(f"Event log {path} has no room on its disk; make room and try again")
    if code in _DAMAGED:
        return LogDamaged(f"Event log {path} is damaged ({error}); keep the file and go on with a copy or a backup")
    if code in _READ_ONLY or _is_read_only(path):
        return LogReadOnly(f"Event log {path} cannot be written; make the file and its folder writable")
    return StoreError(f"Event log {path} cannot be used ({error}); check the disk and its cable")


def _has_no_room(path: Path) -> bool:
    try:
        disk = os.statvfs(path.parent)
    except OSError:
        return False
    return not disk.f_flag & os.ST_RDONLY and disk.f_bavail * disk.f_frsize < _NO_ROOM_BYTES


def _is_read_only(path: Path) -> bool:
    def may_write(one: Path) -> bool:
        return os.access(one, os.W_OK, effective_ids=os.access in os.supports_effective_ids)

    return not may_write(path.parent) or (path.exists() and not may_write(path))
