"""Devices at the bench and their fakes; knows frames, presses and pictures, not measuring."""
