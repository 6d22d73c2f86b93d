"""Pedals: the logic of a press, and one set of tests over the scripted, the keyboard and the wired one."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardware.errors import ClosedDevice, DeviceLost, DeviceMissing
from hardware.fakes import ScriptedPedal
from hardware.pedal import BOUNCE_S, GpioPedal, KeyboardPedal, Pedal, PedalEvent, PedalLogic
from tests.hardware.conftest import Clock

DOWN, UP = True, False


def through(edges: list[tuple[float, bool]]) -> list[PedalEvent]:
    """Return what a contact that goes through these edges and then rests amounts to."""
    logic = PedalLogic()
    events = [event for at_s, is_down in edges for event in logic.edge(at_s, is_down)]
    return events + list(logic.settle(edges[-1][0] + 10))


C24 = [(0.000, DOWN), (0.003, UP), (0.006, DOWN), (0.190, UP), (0.193, DOWN), (0.196, UP)]
"""../shared/cases/public-reports.toml C24."""

CASES = [
    ("a clean press", [(1.0, DOWN), (1.2, UP)], [PedalEvent("press", 1.0, 1.2)]),
    ("C24: one tread that bounces both ways", C24, [PedalEvent("press", 0.0, 0.19)]),
    ("just under a long press", [(1.0, DOWN), (1.999, UP)], [PedalEvent("press", 1.0, 1.999)]),
    ("a long press from exactly one second", [(1.0, DOWN), (2.0, UP)], [PedalEvent("long press", 1.0, 2.0)]),
    ("a spike that closes for 5 ms", [(1.0, DOWN), (1.005, UP)], []),
    (
        "a spike, then a press much later",
        [(1.0, DOWN), (1.003, UP), (5.0, DOWN), (5.2, UP)],
        [PedalEvent("press", 5.0, 5.2)],
    ),
    (
        "contact lost for 5 ms while the foot stays",
        [(1.0, DOWN), (1.5, UP), (1.505, DOWN), (1.8, UP)],
        [PedalEvent("press", 1.0, 1.8)],
    ),
    (
        "two treads a tenth apart",
        [(1.0, DOWN), (1.2, UP), (1.3, DOWN), (1.5, UP)],
        [PedalEvent("press", 1.0, 1.2), PedalEvent("press", 1.3, 1.5)],
    ),
    ("an edge told twice", [(1.0, DOWN), (1.0, DOWN), (1.2, UP), (1.2, UP)], [PedalEvent("press", 1.0, 1.2)]),
    ("the foot never lifted", [(1.0, DOWN)], []),
    ("only a release", [(1.0, UP)], []),
]


@pytest.mark.parametrize(("edges", "events"), [case[1:] for case in CASES], ids=[case[0] for case in CASES])
def test_edges_amount_to(edges: list[tuple[float, bool]], events: list[PedalEvent]) -> None:
    assert through(edges) == events


def test_c24_the_press_confirms_what_waited_when_the_foot_came_down() -> None:
    (press,) = through(C24)
    waiting = [("P1", 0.0), ("P2", 0.150)]
    assert [name for name, came_s in waiting if came_s <= press.down_s] == ["P1"]


def test_a_press_is_told_on_release_and_not_before() -> None:
    logic = PedalLogic()
    assert logic.edge(0.0, DOWN) == ()
    assert logic.settle(0.9) == () and logic.is_down
    assert logic.edge(0.95, UP) == ()
    assert logic.settle(0.95 + BOUNCE_S / 2) == () and logic.is_down
    assert logic.settle(0.95 + BOUNCE_S) == (PedalEvent("press", 0.0, 0.95),)
    assert not logic.is_down and logic.settles_at_s is None


@given(
    st.lists(st.tuples(st.floats(0.1, 0.9), st.floats(0.1, 0.9)), min_size=1, max_size=6),
    st.lists(st.floats(0.0005, 0.004), min_size=24, max_size=24),
    st.data(),
)
def test_however_it_bounces_there_is_one_press_for_each_tread(
    treads: list[tuple[float, float]], gaps: list[float], data: st.DataObject
) -> None:
    edges: list[tuple[float, bool]] = []
    at_s, wanted = 1.0, []
    for held_s, rest_s in treads:
        wanted.append((at_s, at_s + held_s))
        for start_s, state in ((at_s, DOWN), (at_s + held_s, UP)):
            edges.append((start_s, state))
            for gap_s in gaps[: 2 * data.draw(st.integers(0, 3))]:
                edges.append((edges[-1][0] + gap_s, not edges[-1][1]))
        at_s += held_s + rest_s
    assert [(event.down_s, event.up_s) for event in through(edges)] == wanted


def test_a_bounce_time_that_makes_no_sense_is_named() -> None:
    with pytest.raises(ValueError, match=r"Pedal bounce_s is 0 s; it must be over 0 and under long_press_s \(1\.0 s\)"):
        PedalLogic(bounce_s=0)


def mock_pins() -> Any:
    """Return gpiozero's pins that are not there."""
    return pytest.importorskip("gpiozero.pins.mock", reason="gpiozero is not installed: no pins to mock").MockFactory()


class Foot:
    """A pedal and a way to tread on it for a time (s)."""

    def __init__(self, pedal: Pedal, tread: Callable[[float], None]) -> None:
        self.pedal = pedal
        self.tread = tread


@pytest.fixture(params=["scripted", "keyboard", "gpio"])
def foot(request: pytest.FixtureRequest, clock: Clock) -> Iterator[Foot]:
    """Each kind of pedal."""
    if request.param == "scripted":
        with ScriptedPedal() as scripted:
            yield Foot(scripted, lambda held_s: scripted.press(clock(), held_s))
    elif request.param == "keyboard":
        read_end, write_end = os.pipe()
        with os.fdopen(read_end) as stream, KeyboardPedal(stream, clock=clock) as keyboard:
            yield Foot(keyboard, lambda held_s: _type(write_end, "\n" if held_s < 1 else "x\n"))
        os.close(write_end)
    else:
        factory = mock_pins()
        with GpioPedal(17, pin_factory=factory, clock=clock) as wired:
            yield Foot(wired, lambda held_s: _wire(factory, clock, held_s))
        factory.close()


def _type(descriptor: int, line: str) -> None:
    os.write(descriptor, line.encode())


def _wire(factory: Any, clock: Clock, held_s: float) -> None:
    """Tread on a switch between pin 17 and ground, with bounce at both ends."""
    pin = factory.pin(17)
    for wait_s, level in (
        (0, "low"),
        (0.003, "high"),
        (0.003, "low"),
        (held_s, "high"),
        (0.002, "low"),
        (0.002, "high"),
    ):
        clock.wait(wait_s)
        getattr(pin, f"drive_{level}")()
    clock.wait(1.0)


def test_a_tread_is_one_press_and_a_long_one_drops(foot: Foot) -> None:
    foot.tread(0.2)
    foot.tread(1.3)
    foot.tread(0.3)
    kinds = [event.kind for event in (foot.pedal.read(0) for _ in range(3)) if event is not None]
    assert kinds == ["press", "long press", "press"]
    assert foot.pedal.read(0) is None


def test_a_pedal_nobody_treads_on_gives_nothing(foot: Foot) -> None:
    assert foot.pedal.read(0) is None


def test_closing_twice_is_closing_once_and_reading_after_says_so(foot: Foot) -> None:
    with foot.pedal as pedal:
        pedal.close()
        pedal.close()
    assert pedal.closed
    with pytest.raises(ClosedDevice, match="Pedal '.*' is closed; open it again"):
        pedal.read(0)


def test_the_wired_pedal_knows_that_the_foot_is_down(clock: Clock) -> None:
    factory = mock_pins()
    with GpioPedal(17, pin_factory=factory, clock=clock) as pedal:
        factory.pin(17).drive_low()
        clock.wait(0.05)
        assert pedal.read(0) is None and pedal.is_down
    factory.close()


def test_a_pin_that_is_taken_is_named_with_what_to_do() -> None:
    factory = mock_pins()
    with GpioPedal(17, pin_factory=factory), pytest.raises(DeviceMissing, match="Pedal 'gpio:17' cannot be opened: .*"):
        GpioPedal(17, pin_factory=factory)
    factory.close()


def test_a_keyboard_that_ends_is_a_lost_pedal() -> None:
    read_end, write_end = os.pipe()
    os.close(write_end)
    with (
        os.fdopen(read_end) as stream,
        KeyboardPedal(stream) as pedal,
        pytest.raises(DeviceLost, match="input has ended"),
    ):
        pedal.read(1)


def test_a_scripted_pedal_fails_when_its_script_says_so_and_remembers() -> None:
    pedal = ScriptedPedal(
        [PedalEvent("press", 1, 2), None, DeviceLost("Pedal 'usb' is gone; plug it in", kind="pedal")]
    )
    assert pedal.read(0) == PedalEvent("press", 1, 2) and pedal.read(0) is None
    with pytest.raises(DeviceLost):
        pedal.read(0)
    assert pedal.given == [PedalEvent("press", 1, 2)]
    pedal.tread()
    assert pedal.is_down
    pedal.lift()
    assert not pedal.is_down
