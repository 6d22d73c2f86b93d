"""Foot pedals: what a press is, a pedal on a pin, and a keyboard in its place."""

from __future__ import annotations

import os
import queue
import select
import time
import warnings
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import import_module
from typing import Any, Literal, Protocol, TextIO

from hardware._device import Device, DeviceBase
from hardware.errors import DeviceLost, DeviceMissing, DriverMissing

Kind = Literal["press", "long press"]

BOUNCE_S = 0.02
"""A contact counts once it has stayed as it is for this long, s."""

LONG_PRESS_S = 1.0
"""From this long on a press drops instead of confirming, s."""


@dataclass(frozen=True, slots=True)
class PedalEvent:
    """One tread. `down_s`, `up_s`: first contact going down and coming up, s on the pedal's clock.

    What a press answers is what was waiting at `down_s`, not what came while the foot was down.
    """

    kind: Kind
    down_s: float
    up_s: float


class PedalLogic:
    """Turn the edges of a bouncing contact into presses. Pure: time is an argument.

    A change counts once the contact stayed for `bounce_s`, and it counts from the first edge of that burst.
    A press is told on release. A contact that closes for less than `bounce_s` (a spike, chatter while the foot
    is still) is nothing.

    >>> pedal = PedalLogic()
    >>> [pedal.edge(at_s, is_down) for at_s, is_down in ((0.0, True), (0.003, False), (0.006, True), (0.19, False))]
    [(), (), (), ()]
    >>> pedal.settle(0.25)
    (PedalEvent(kind='press', down_s=0.0, up_s=0.19),)
    """

    def __init__(self, bounce_s: float = BOUNCE_S, long_press_s: float = LONG_PRESS_S) -> None:
        if not 0 < bounce_s < long_press_s:
            raise ValueError(
                f"Pedal bounce_s is {bounce_s} s; it must be over 0 and under long_press_s ({long_press_s} s)"
            )
        self._bounce_s = bounce_s
        self._long_press_s = long_press_s
        self._is_down = False
        self._down_s = 0.0
        self._raw = False
        self._raw_s = float("-inf")
        self._burst_s: float | None = None

    @property
    def is_down(self) -> bool:
        """Whether the foot is down, bounce left out."""
        return self._is_down

    @property
    def settles_at_s(self) -> float | None:
        """When `settle` will next have something to say, s; None while the contact is at rest."""
        return None if self._burst_s is None else self._raw_s + self._bounce_s

    def edge(self, at_s: float, is_down: bool) -> tuple[PedalEvent, ...]:
        """Take one edge; returns the events that had settled before it."""
        events = self.settle(at_s)
        if is_down != self._raw:
            if self._burst_s is None:
                self._burst_s = at_s
            self._raw, self._raw_s = is_down, at_s
        return events

    def settle(self, at_s: float) -> tuple[PedalEvent, ...]:
        """Return the event that has settled by now, if any."""
        burst_s = self._burst_s
        if burst_s is None or at_s < self._raw_s + self._bounce_s:
            return ()
        self._burst_s = None
        if self._raw == self._is_down:
            return ()
        self._is_down = self._raw
        if self._is_down:
            self._down_s = burst_s
            return ()
        held_s = burst_s - self._down_s
        return (PedalEvent("long press" if held_s >= self._long_press_s else "press", self._down_s, burst_s),)


class Pedal(Device, Protocol):
    """A source of presses."""

    @property
    def is_down(self) -> bool | None:
        """Whether the foot is down now; None for a pedal that cannot tell (a keyboard's lines)."""

    def read(self, timeout_s: float) -> PedalEvent | None:
        """Return the next press, or None when none came in time (s).

        Raises:
            ClosedDevice: after `close()`.
            DeviceLost: the pedal is gone.
        """


class PedalBase(DeviceBase):
    """What every pedal shares. Subclasses give `_next` and `_release`."""

    KIND = "pedal"

    @property
    def is_down(self) -> bool | None:
        """Whether the foot is down now; None when that cannot be told."""
        return None

    def read(self, timeout_s: float) -> PedalEvent | None:
        """Return the next press or None; see `Pedal.read`."""
        self._must_be_open("reading")
        return self._next(timeout_s)

    def _next(self, timeout_s: float) -> PedalEvent | None:
        raise NotImplementedError


class GpioPedal(PedalBase):
    """A normally open foot switch between a pin and ground, through gpiozero.

    Args:
        pin: pin number or name as gpiozero takes it ("GPIO17").
        pin_factory: gpiozero's; None for the board's own. Tests give a MockFactory.
        bounce_s, long_press_s: see `PedalLogic`, s.
        clock: seconds, monotonic; tests give their own.

    Raises:
        DeviceMissing: the pin cannot be used. `DriverMissing` when gpiozero is not installed.
    """

    def __init__(
        self,
        pin: int | str = "GPIO17",
        *,
        pin_factory: Any = None,
        bounce_s: float = BOUNCE_S,
        long_press_s: float = LONG_PRESS_S,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        super().__init__(f"gpio:{pin}")
        self._logic = PedalLogic(bounce_s, long_press_s)
        self._clock = clock
        self._edges: queue.Queue[tuple[float, bool] | None] = queue.Queue()
        self._events: deque[PedalEvent] = deque()
        remedy = "check the pin and the wiring, or choose --pedal keyboard or none"
        with opening_pins("pedal", self._name, remedy) as gpiozero:
            # Bounce is ours to judge: gpiozero's own filter drops edges without telling when the foot came.
            self._button = gpiozero.DigitalInputDevice(pin, pull_up=True, bounce_time=None, pin_factory=pin_factory)
        self._button.when_activated = lambda: self._edges.put((self._clock(), True))
        self._button.when_deactivated = lambda: self._edges.put((self._clock(), False))

    @property
    def is_down(self) -> bool:
        """Whether the foot is down now, bounce left out, as of the last `read`."""
        return self._logic.is_down

    def _next(self, timeout_s: float) -> PedalEvent | None:
        deadline = self._clock() + timeout_s
        while not self._events:
            settles_s = self._logic.settles_at_s
            until = deadline if settles_s is None else min(deadline, settles_s)
            try:
                edge = self._edges.get(timeout=max(0.0, until - self._clock()))
            except queue.Empty:
                self._events.extend(self._logic.settle(self._clock()))
                if not self._events and self._clock() >= deadline:
                    return None
                continue
            if edge is None:
                return None
            self._events.extend(self._logic.edge(*edge))
        return self._events.popleft()

    def _release(self) -> None:
        self._button.close()
        self._edges.put(None)


class KeyboardPedal(PedalBase):
    """Lines of a keyboard in place of a pedal: an empty line (Enter, or space and Enter) presses, "x" drops.

    Args:
        stream: where lines come from, with a file descriptor (a terminal or pipe).
        clock: seconds, monotonic; tests give their own.
    """

    def __init__(self, stream: TextIO, *, clock: Callable[[], float] = time.monotonic) -> None:
        super().__init__("keyboard")
        self._descriptor = os.dup(stream.fileno())
        self._clock = clock
        self._held = b""

    def _next(self, timeout_s: float) -> PedalEvent | None:
        deadline = self._clock() + timeout_s
        while True:
            while b"\n" in self._held:
                line, _, self._held = self._held.partition(b"\n")
                now_s = self._clock()
                word = line.strip().lower()
                if not word:
                    return PedalEvent("press", now_s, now_s)
                if word == b"x":
                    return PedalEvent("long press", now_s, now_s)
            ready, _, _ = select.select([self._descriptor], [], [], max(0.0, deadline - self._clock()))
            if not ready:
                return None
            data = os.read(self._descriptor, 4096)
            if not data:
                raise DeviceLost(
                    "Pedal 'keyboard' is gone: its input has ended; start again with --pedal none or a wired pedal",
                    kind="pedal",
                    name=self._name,
                )
            self._held += data

    def _release(self) -> None:
        os.close(self._descriptor)


@contextmanager
def opening_pins(kind: str, name: str, remedy: str) -> Iterator[Any]:
    """Give the gpiozero module, and turn what it raises into our errors; the remedy ends the message.

    Raises:
        DriverMissing: when gpiozero is not installed.
        DeviceMissing: when it cannot use the pins.
    """
    try:
        gpiozero = import_module("gpiozero")
    except ImportError as error:
        raise DriverMissing(
            f"{kind.capitalize()} {name!r} cannot be used: {error}; install it with 'pip install gpiozero lgpio'",
            kind=kind,
            name=name,
        ) from error
    try:
        with warnings.catch_warnings():
            # It warns once for every pin driver it tried; the error below says what matters.
            warnings.simplefilter("ignore")
            yield gpiozero
    except (gpiozero.GPIOZeroError, OSError, ImportError) as error:
        raise DeviceMissing(
            f"{kind.capitalize()} {name!r} cannot be opened: {error}; {remedy}", kind=kind, name=name
        ) from error
