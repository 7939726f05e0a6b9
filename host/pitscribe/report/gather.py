"""From the ledger to what a page of one cook, or of several, is made of: for the command and for a page's route."""

from collections.abc import Collection, Sequence

from pitscribe.cook.analysis import analyse
from pitscribe.cook.besides import Besides, beside
from pitscribe.cook.figures import figures_of
from pitscribe.cook.lookback import lookbacks
from pitscribe.cook.origins import Align, origin_of
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import Cook
from pitscribe.report.comparison import Shown
from pitscribe.report.cook import Kept
from pitscribe.report.photos import photos_of
from pitscribe.series import Reader, load
from pitscribe.series.trial import whole_cook


def kept(ledger: Ledger, cook: Cook, *, over: Collection[str] = (), known: str = "now") -> Kept:
    """A cook with all that its page tells. ``over``: places whose probe was taken out, see ``analyse``."""
    reader = Reader(ledger, cook.id, known=known)
    record = reader.read()
    said = analyse(record, over=over, ahead=True)
    return Kept(
        record, said, lookbacks(record, said.forecasts), tuple(ledger.scores(cook.id)),
        tuple(ledger.weights(cook.id)), tuple(reader.stretches()), known, photos_of(ledger, cook.id),
    )


def compared(ledger: Ledger, cooks: Sequence[Cook], align: Align, *, known: str = "now"
             ) -> tuple[list[Shown], Besides]:
    """The cooks as they are shown, and their figures. ReadingError where one has not what it is to be aligned on."""
    records = [load(ledger, cook.id, known=known) for cook in cooks]
    shown = [Shown(record, analyse(record), origin_of(record, align)) for record in records]
    target = next((cook.target_c for cook in cooks if cook.target_c is not None), None)
    pieces = [whole_cook(one.record, ledger.scores(one.record.cook.id), ledger.weights(one.record.cook.id))
              for one in shown]
    figures = [figures_of(p, one.said, one.origin, target) for p, one in zip(pieces, shown, strict=True)]
    names = [cook.name for cook in cooks]
    if len(set(names)) < len(names):
        names = [f"{cook.name} ({cook.id})" for cook in cooks]
    return shown, beside(names, align, [one.origin for one in shown], figures, target)
