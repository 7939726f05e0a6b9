"""What a register word really says: codes -> emf -> temperature, with its uncertainty and flags. Pure NumPy.

The chain, in the order in which a sample goes through it (``chain`` runs it, ``strand`` keeps what grows,
``derivation`` tells one sample's way step by step):

    chips         codes -> emf of the loop, chip by chip
    its90         reference functions and their exact inverse (``its90_coefficients``)
    junction      emf and cold junction -> hot junction
    correction    what a probe's calibration adds
    slope         how fast it changes
    uncertainty   the named components and the budget; of them: tolerance (wire), exposure (what the place does)
    coverage      components -> standard uncertainty, degrees of freedom, k for 95 %

Flags (``flags`` has them and the rules of one sample, ``rules`` states every rule with its reason): minutes (sums that
the others look back at), lone (one channel), stuck, contact, swapped, and ``together``, which judges all of a cook.

Calibration: fixpoints (ice, boiling water), steady (is the bath), calibration (points, and the fit by ``line``).

Air probes: airprobe (stem and lag undone), airlearn (what they are), derivative (slopes that know their noise), plunge
(how slow a junction is).

In words: bothunits.
"""
