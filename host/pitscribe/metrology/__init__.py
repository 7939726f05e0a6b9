"""What a register word really says: codes -> emf -> temperature, with its uncertainty and flags. Pure NumPy."""
