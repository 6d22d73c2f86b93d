"""What every device shares: a name, closing, `with`."""

from __future__ import annotations

from types import TracebackType
from typing import ClassVar, Protocol, Self

from hardware.errors import ClosedDevice


class Device(Protocol):
    """An opened device."""

    @property
    def name(self) -> str:
        """Name for messages."""

    @property
    def closed(self) -> bool:
        """Whether `close` was called."""

    def close(self) -> None:
        """Let go of the device; may be called twice, and from another thread."""

    def __enter__(self) -> Self: ...

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...


class DeviceBase:
    """The common part of drivers and fakes. Subclasses name their `KIND` and give `_release`."""

    KIND: ClassVar[str] = "device"

    def __init__(self, name: str) -> None:
        self._name = name
        self._closed = False

    @property
    def name(self) -> str:
        """Name for messages."""
        return self._name

    @property
    def closed(self) -> bool:
        """Whether `close` was called."""
        return self._closed

    def close(self) -> None:
        """Let go of the device; may be called twice."""
        if not self._closed:
            self._closed = True
            self._release()

    def _must_be_open(self, doing: str) -> None:
        if self._closed:
            raise ClosedDevice(
                f"{self.KIND.capitalize()} {self._name!r} is closed; open it again before {doing}",
                kind=self.KIND,
                name=self._name,
            )

    def _release(self) -> None:
        """Free what the subclass holds."""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
