"""The bench program hands the date over with a tag, and only when its clock can be believed."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
import segno
from numpy.typing import NDArray
from PIL import Image

from capture.app import Bench, ClipStore, Step
from capture.session import Session, restore
from capture.speech.endpoint import Endpointer
from capture.speech.words import Hearing, Samples, SpokenGrammar, Utterance
from capture.store.eventlog import EventLog
from tests.journeys.talk import JOB, Talk, gauge_plan, tag


class _Deaf:
    """A recogniser, a voice and a speaker in one, for a bench that only sees."""

    is_playing = False
    name = model = "none"

    def recognise(self, utterance: Utterance, grammar: SpokenGrammar) -> Hearing:
        raise AssertionError("nothing is heard here")

    def close(self) -> None:
        return None

    def speak(self, text: str) -> Samples:
        return np.zeros(1, dtype=np.int16)

    def play(self, samples: Samples) -> None:
        return None


def picture(text: str, shade: int) -> NDArray[np.uint8]:
    """Return a camera picture of a QR Code; another shade makes it another frame."""
    file = io.BytesIO()
    segno.make(text, error="m", micro=False).save(file, kind="png", scale=6, border=8)
    grey = np.asarray(Image.open(file).convert("RGB"), dtype=np.int16)
    return np.clip(grey, shade, 255).astype(np.uint8)


@pytest.mark.parametrize(("synchronised", "is_barred"), [(True, True), (False, False)])
def test_a_calibration_date_is_judged_only_by_a_synchronised_clock(
    tmp_path: Path, synchronised: bool, is_barred: bool
) -> None:
    opened = Talk(session=Session(plans={JOB: gauge_plan()})).open_job()
    steps: list[Step] = []
    with EventLog.open(tmp_path / "log.db", "bench-1") as log:
        bench = Bench(
            session=restore(Session(plans={JOB: gauge_plan()}), tuple(opened.events)),
            log=log,
            clips=ClipStore(tmp_path / "clips"),
            recogniser=_Deaf(),
            endpointer=Endpointer(lambda frame: 0.0),
            voice=_Deaf(),
            speaker=_Deaf(),
            clock=lambda: ("2026-04-01T06:00:00.000Z", synchronised),
            watch=steps.append,
        )
        for shade in (0, 20):
            bench.see(picture(tag("G", "SHOE-MICROMETER"), shade))
    assert bench.session.gauge == "shoe-micrometer"
    assert bool(bench.session.overdue) is is_barred
    said = " ".join(step.text for step in steps if step.kind == "said")
    assert ("was due for calibration on 2026-03-31" in said) is is_barred
    assert ("The clock is not known." in said) is not is_barred
