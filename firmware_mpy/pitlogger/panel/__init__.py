"""What the logger itself shows, sounds and feels: a screen, a buzzer, two buttons. All optional; without them nothing
of this is imported."""

# Bits of what can be told; the lowest is sounded first. The first two answer a button, the others are alarms.
DONE, REFUSED, LOW, HIGH, TARGET, LOST, JOURNAL = 1, 2, 4, 8, 16, 32, 64
