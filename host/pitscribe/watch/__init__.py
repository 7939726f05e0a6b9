"""The live loop: reads the running cook, analyses it and hands a snapshot to whoever listens."""
