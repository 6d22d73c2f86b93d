"""Errors of the devices. This module imports nothing of ours.

Every message is one line: the device, what it got or lacks, and what to do about it.
"""

from __future__ import annotations


class HardwareError(Exception):
    """Root of the device errors.

    `kind`: "microphone", "speaker", "camera", "pedal" or "light"; `name`: as it was asked for.
    """

    exit_code = 9

    def __init__(self, message: str, *, kind: str = "device", name: str = "") -> None:
        super().__init__(message)
        self.kind = kind
        self.name = name

    @property
    def spoken(self) -> str:
        """The few words said to the operator; the whole message is for the screen.

        >>> DeviceMissing("Microphone 'usb' is not connected; plug it in", kind="microphone").spoken
        'No microphone.'
        """
        return f"No {self.kind}."


class DeviceMissing(HardwareError, LookupError):
    """The device that was asked for is not there, or more than one answers to the name."""


class DriverMissing(DeviceMissing):
    """The library that drives this kind of device is not installed."""


class DeviceLost(HardwareError, ConnectionError):
    """The device was there and stopped answering."""

    @property
    def spoken(self) -> str:
        """The few words said to the operator."""
        return f"{self.kind.capitalize()} lost."


class ClosedDevice(HardwareError, ValueError):
    """The device was used after `close()`."""


class SourceUnreadable(HardwareError, ValueError):
    """A file that stands in for a device cannot be read."""
