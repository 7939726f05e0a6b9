"""The ledger: the one SQLite file that holds every frame as it came, and what people wrote beside it."""

from pitscribe.ledger.mirrorbook import Mirrorbook
from pitscribe.ledger.removal import Removal
from pitscribe.ledger.waitingbook import Waitingbook


class Ledger(Waitingbook, Removal, Mirrorbook):
    """``Ledger(path, clock)`` opens or creates the file; see FrameStore, Cookbook, Scorebook, Trialbook, Toldbook,
    Photobook, Removal, Mirrorbook and Waitingbook.

    May be used from any thread. Every method that changes something returns after a durable commit. A StoreError says
    in plain words what is wrong with the file or the disk; then nothing of that call was stored.
    """
