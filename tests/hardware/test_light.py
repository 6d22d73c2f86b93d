"""Stack lights: one set of tests over the remembered and the wired one."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from typing import Any, get_args

import pytest

from hardware.errors import ClosedDevice, DeviceMissing
from hardware.fakes import RememberedLight
from hardware.light import LABEL, PATTERNS, GpioLight, Light, Meaning

PINS = {"green": 22, "amber": 23, "red": 24}


@pytest.fixture
def factory() -> Iterator[Any]:
    """Pins that are not there."""
    mock = pytest.importorskip("gpiozero.pins.mock", reason="gpiozero is not installed: no pins to mock")
    made = mock.MockFactory()
    yield made
    made.close()


@pytest.fixture(params=["remembered", "gpio"])
def light(request: pytest.FixtureRequest) -> Iterator[Light]:
    """Each kind of light."""
    if request.param == "remembered":
        with RememberedLight() as remembered:
            yield remembered
    else:
        with GpioLight(pin_factory=request.getfixturevalue("factory")) as wired:
            yield wired


def test_every_meaning_can_be_shown_and_an_unknown_one_is_named(light: Light) -> None:
    for meaning in get_args(Meaning):
        light.show(meaning)
    with pytest.raises(ValueError, match="Light meaning 'good' is not known; it must be one of stored, asked, refused"):
        light.show("good")  # type: ignore[arg-type]


def test_closing_twice_is_closing_once_and_showing_after_says_so(light: Light) -> None:
    with light as shown:
        shown.close()
        shown.close()
    assert shown.closed
    with pytest.raises(ClosedDevice, match="Light '.*' is closed; open it again"):
        shown.show("stored")


def test_each_meaning_has_its_own_colour_and_its_own_pattern() -> None:
    shown = [pattern for pattern in PATTERNS.values() if pattern is not None]
    assert len({pattern[0] for pattern in shown}) == len({pattern[1:] for pattern in shown}) == 3
    assert PATTERNS["stored"] == ("green", 1.0, 0.0)
    assert all(word in LABEL for word in ("STORED", "ASKED", "WAITING", "REFUSED", "FAULT"))


def _wait_for(claim: Callable[[], bool]) -> bool:
    """Give gpiozero's blinking thread up to two seconds to make a claim true."""
    pause = threading.Event()
    return any(claim() or pause.wait(0.01) for _ in range(200))


@pytest.mark.parametrize(("meaning", "colour"), [("stored", "green"), ("asked", "amber"), ("refused", "red")])
def test_the_wired_light_lights_one_lamp_for_each_meaning(factory: Any, meaning: Meaning, colour: str) -> None:
    with GpioLight(pin_factory=factory) as light:
        light.show(meaning)
        assert _wait_for(lambda: bool(factory.pin(PINS[colour]).state))
        assert not any(factory.pin(pin).state for name, pin in PINS.items() if name != colour)
        light.show("off")
        assert not any(factory.pin(pin).state for pin in PINS.values())


def test_red_blinks_and_green_does_not(factory: Any) -> None:
    with GpioLight(pin_factory=factory) as light:
        light.show("refused")
        pin = factory.pin(PINS["red"])
        assert _wait_for(lambda: [state.state for state in pin.states][-3:] == [True, False, True])
        light.show("stored")
        assert [state.state for state in factory.pin(PINS["green"]).states] == [False, True]


def test_closing_goes_dark(factory: Any) -> None:
    light = GpioLight(pin_factory=factory)
    light.show("stored")
    light.close()
    assert not factory.pin(PINS["green"]).state


def test_a_light_half_opened_lets_its_pins_go(factory: Any) -> None:
    with pytest.raises(DeviceMissing, match="Light 'gpio:5,6,5' cannot be opened: .*--light none"):
        GpioLight(5, 6, 5, pin_factory=factory)
    with GpioLight(5, 6, 7, pin_factory=factory) as light:
        light.show("stored")


def test_the_remembered_light_remembers() -> None:
    with RememberedLight() as light:
        light.show("asked")
        light.show("stored")
    assert light.shown == ["asked", "stored", "off"]
