"""Backup of a bench while it runs, and its restoration, each verified when it is done.

A backup is a folder: the log as one file, clips, photos, jobs and settings. The bench's key and its token are never
in it: a bench that is restored elsewhere makes a key of its own and enrols again.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

from capture.errors import CaptureError, StoreError
from capture.keep import open_log
from capture.settings import Settings
from capture.store.eventlog import sync_file, sync_folder
from capture.verify import Finding, verify_folder

LOG = "events.db"
FOLDERS = ("clips", "photos", "jobs")
SETTINGS = "benchcall.toml"


def backup(settings: Settings, target: Path) -> Finding:
    """Copy this bench's log and what it names into a new folder; return what verifying the copy found.

    Raises:
        StoreError: the folder holds something already, or the disk does not take it. What was begun is in a folder
            beside it that ends in ".part".
    """
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise StoreError(f"Backup {target} is there already; give a new folder")
    part = target.with_name(f"{target.name}.part")
    try:
        shutil.rmtree(part, ignore_errors=True)
        part.mkdir(parents=True)
        with open_log(settings) as log:
            log.copy_to(part / LOG)  # first: whatever it names was written before it
        _copy_files(settings.data, part)
        for folder in (*(one for one in part.iterdir() if one.is_dir()), part):
            sync_folder(folder)
        if target.exists():
            target.rmdir()
        os.replace(part, target)
        sync_folder(target.parent)
    except OSError as error:
        raise StoreError(f"Backup {target} was not written ({error.strerror}); make room or give another") from None
    return verify_folder(target)


def restore(settings: Settings, source: Path) -> Finding:
    """Put a backup into this bench's data folder, which must hold no log; return what verifying it there found.

    Broken off at any point it can be done again: the log comes last.

    Raises:
        CaptureError: the backup is not whole; nothing was restored.
    """
    found = verify_folder(source)
    if found.wrong:
        raise CaptureError(f"Backup {source} is not whole ({found.wrong[0]}); nothing was restored, take another")
    log = settings.data / LOG
    if log.exists():
        raise StoreError(f"Data folder {settings.data} holds a log already; give an empty one with --data")
    part = log.with_suffix(".part")
    try:
        settings.data.mkdir(parents=True, exist_ok=True)
        _copy_files(source, settings.data)
        part.unlink(missing_ok=True)
        shutil.copyfile(source / LOG, part)
        part.chmod(0o600)
        sync_file(part)
        os.replace(part, log)
        sync_folder(settings.data)
    except OSError as error:
        raise StoreError(f"Backup {source} was not restored ({error.strerror}); make room, then again") from None
    return verify_folder(settings.data)


def _copy_files(source: Path, target: Path) -> None:
    """Copy clips, photos, jobs and settings, each synced; what is half written is passed over."""
    for path in _files(source):
        there = target / path.relative_to(source)
        there.parent.mkdir(exist_ok=True)
        try:
            shutil.copyfile(path, there)
        except FileNotFoundError:
            continue  # removed meanwhile by the shop's rule; verifying says if it should be there
        sync_file(there)


def _files(source: Path) -> Iterator[Path]:
    for name in FOLDERS:
        yield from (path for path in sorted((source / name).glob("*")) if path.is_file() and path.suffix != ".part")
    if (source / SETTINGS).is_file():
        yield source / SETTINGS
