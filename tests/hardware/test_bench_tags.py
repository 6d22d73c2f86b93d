"""The tag reader's figures on the shared photographs."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.hardware import bench_tags


def test_the_shared_photographs_read_at_least_as_the_best_of_both_with_nothing_wrong() -> None:
    if not (bench_tags.SHARED_TAGS / "truth.json").is_file():
        pytest.skip("../shared is not here: no photographs to read")
    measured = bench_tags.measure(runs=1)
    least = {"Code 128": 11, "Code 39": 8, "ITF": 10, "EAN-13": 8, "QR Code": 64, "Data Matrix": 48}
    assert {name: max(0, want - measured["table"][name]["right"]) for name, want in least.items()} == dict.fromkeys(
        least, 0
    )
    assert measured["figures"]["tags.read_share"] >= 149 / 156
    assert measured["wrong"] == [] and measured["figures"]["tags.wrong_payloads"] == 0
    assert measured["figures"]["tags.ms_median"] > 0


def test_without_the_photographs_there_are_no_figures(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(bench_tags, "SHARED_TAGS", tmp_path)
    assert bench_tags.figures() == {}
