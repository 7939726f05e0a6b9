"""Pitscribe's firmware. Everything takes its pins, buses, clock and files by injection: see app.py."""

FIRMWARE = "0.1.0"
