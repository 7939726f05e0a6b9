"""What people do to the meat, as notes tell it, and how long it may hold heating back by itself."""

from collections.abc import Sequence

from pitscribe.cook.grid import Grid
from pitscribe.cook.noted import Told, act_of

# [min]: opened, whatever was done then; set in a pan, with cold broth perhaps; iced. Our allowances, no source.
GRACE_MIN = {"lid": 20, "spritz": 20, "rotate": 20, "wrap": 20, "boat": 20, "unwrap": 20, "pan": 45, "ice": 60}
WORDS = {
    "lid": "the lid was opened", "spritz": "it was spritzed", "rotate": "it was turned", "wrap": "it was wrapped",
    "boat": "it was set in a boat", "pan": "it was set in a pan", "ice": "it was iced",
    "unwrap": "it was unwrapped",
}
ENDS = {"pull": "it was pulled", "hold": "it is held"}  # from then on it is not meant to heat


def acts_by_cell(notes: Sequence[Told], grid: Grid) -> dict[int, list[str]]:
    """The kinds of what was done in each cell; what was done before the first counts there."""
    acts: dict[int, list[str]] = {}
    for note in notes:
        acts.setdefault(max(grid.cell(note.at_ms / 1000), 0), []).append(act_of(note))
    return acts
