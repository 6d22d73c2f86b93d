"""Stack light: three colours with one meaning each, told apart by pattern too."""

from __future__ import annotations

from typing import Any, Literal, Protocol

from hardware._device import Device, DeviceBase
from hardware.errors import HardwareError
from hardware.pedal import opening_pins

Meaning = Literal["stored", "asked", "refused", "off"]
"""stored: on disk (never "good"); asked: the bench asks or waits; refused: refused, or a fault."""

Colour = Literal["green", "amber", "red"]

PATTERNS: dict[Meaning, tuple[Colour, float, float] | None] = {
    "stored": ("green", 1.0, 0.0),
    "asked": ("amber", 0.8, 0.8),
    "refused": ("red", 0.15, 0.15),
    "off": None,
}
"""For each meaning its colour and its seconds on and off: steady, slow, fast, so that colour is never alone."""

LABEL = "GREEN STEADY: STORED / AMBER SLOW: ASKED, WAITING / RED FAST: REFUSED, FAULT"
"""Words for the label on the unit."""


class Light(Device, Protocol):
    """Something that shows one meaning at a time."""

    def show(self, meaning: Meaning) -> None:
        """Show this meaning until the next one; returns at once.

        Raises:
            ClosedDevice: after `close()`.
            ValueError: for a meaning that has no pattern.
        """


class LightBase(DeviceBase):
    """What every light shares. Subclasses give `_show` and `_release`."""

    KIND = "light"

    def show(self, meaning: Meaning) -> None:
        """Show this meaning until the next one; see `Light.show`."""
        self._must_be_open("showing")
        if meaning not in PATTERNS:
            raise ValueError(f"Light meaning {meaning!r} is not known; it must be one of {', '.join(PATTERNS)}")
        self._show(meaning)

    def _show(self, meaning: Meaning) -> None:
        raise NotImplementedError


class GpioLight(LightBase):
    """Three lamps on pins (through a driver board), by gpiozero.

    Args:
        green, amber, red: pins as gpiozero takes them; high lights the lamp.
        pin_factory: gpiozero's; None for the board's own. Tests give a MockFactory.

    Raises:
        DeviceMissing: a pin cannot be used. `DriverMissing` when gpiozero is not installed.
    """

    def __init__(
        self,
        green: int | str = "GPIO22",
        amber: int | str = "GPIO23",
        red: int | str = "GPIO24",
        *,
        pin_factory: Any = None,
    ) -> None:
        super().__init__(f"gpio:{green},{amber},{red}")
        self._lamps: dict[Colour, Any] = {}
        pins: dict[Colour, int | str] = {"green": green, "amber": amber, "red": red}
        try:
            with opening_pins("light", self._name, "check the pins and the wiring, or choose --light none") as gpiozero:
                for colour, pin in pins.items():
                    self._lamps[colour] = gpiozero.LED(pin, pin_factory=pin_factory)
        except HardwareError:
            self.close()
            raise

    def _show(self, meaning: Meaning) -> None:
        for lamp in self._lamps.values():
            lamp.off()
        pattern = PATTERNS[meaning]
        if pattern is None:
            return
        colour, on_s, off_s = pattern
        if off_s:
            self._lamps[colour].blink(on_s, off_s)
        else:
            self._lamps[colour].on()

    def _release(self) -> None:
        for lamp in self._lamps.values():
            lamp.off()
            lamp.close()
