"""Frames, messages and time on the wire: bytes to values and back, by firmware_mpy/WIRE.md. No I/O, no clock."""
