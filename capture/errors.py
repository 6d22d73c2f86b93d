"""Errors of the bench program. This module imports nothing of ours."""

from __future__ import annotations


class CaptureError(Exception):
    """Root of the bench's own errors; `exit_code` is what the command returns for it."""

    exit_code = 1


class SettingsError(CaptureError, ValueError):
    """A setting or an option is wrong."""

    exit_code = 2


class ModelError(CaptureError):
    """A recogniser's model is missing, damaged or not the pinned one."""

    exit_code = 3


class AudioError(CaptureError):
    """A sound file or stream cannot be used."""

    exit_code = 4


class VoiceError(CaptureError):
    """The bench cannot speak."""

    exit_code = 5


class StoreError(CaptureError):
    """The event log cannot be opened or written; nothing was stored."""

    exit_code = 6


class UploadError(CaptureError):
    """The server could not take the events; they stay on the bench."""

    exit_code = 7


class RehearsalError(CaptureError):
    """A scripted shift did not come out as its manifest says."""

    exit_code = 8
