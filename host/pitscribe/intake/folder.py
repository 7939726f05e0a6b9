"""The way in from files: a folder of journal segments as it was copied from a logger, or one file of segments."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from pitscribe.errors import ConfigError, FrameError, SourceError
from pitscribe.intake.gate import Arrived, Refused, sift
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import BootSpan
from pitscribe.wire.frames import EVENT, decode_event
from pitscribe.wire.segments import scan_segment, segment_header

LONGEST_FILE = 1 << 24  # bytes, the flash of the largest board: the page of a logger gives its journal as one file
SWITCH_ON_ERR_MS = 60_000  # what a person's "I switched it on at six" is good for: common practice, no source


@dataclass(frozen=True, slots=True)
class FolderResult:
    """What an import did. Importing the same files again finds everything known."""

    files: int = 0
    frames: int = 0  # sound frames in the files
    new: int = 0
    known: int = 0
    clashes: int = 0
    damaged: int = 0  # stretches of bytes that are no frame; kept aside with file and place
    asides: int = 0  # frames that the gate kept aside
    loggers: tuple[int, ...] = ()
    boots: tuple[tuple[int, int], ...] = ()  # (logger, boot) of which there were frames
    timeless: tuple[tuple[int, int], ...] = ()  # those of them that no anchor places in time
    placed: tuple[int, int] | None = None  # the one that ``started_at`` was taken for


def import_folder(
    ledger: Ledger, path: Path, *, started_at: float | None = None, boot: int | None = None
) -> FolderResult:
    """Store the frames of every ``*.seg`` under ``path``, or of the one file of segments that it is.

    A damaged stretch is kept aside with its file and offset, and the rest is used. ``started_at`` (UTC s) says when
    the logger was switched on, for the one boot that has no anchor of its own, or for ``boot`` if several have none;
    it is kept beside the frames.

    Raises SourceError if there is no segment or one cannot be read, ConfigError if ``started_at`` fits no boot or
    more than one. Then nothing was stored.
    """
    files = _segments(path)
    result = FolderResult(files=len(files))
    boots: set[tuple[int, int]] = set()
    with ledger.together():
        for file in files:
            result = _take_in(ledger, file, result, boots)
        if not result.frames:
            raise SourceError(f"{path}: not one whole frame is in it; is it what a logger wrote?")
        if started_at is not None:
            unanchored = [one for one in sorted(boots) if not _said_time(ledger, *one)]
            meant = _meant(ledger, path, unanchored, boot)
            ledger.tell_anchor(*meant, 0, round(started_at * 1000), SWITCH_ON_ERR_MS, "person")
            result = replace(result, placed=meant)
    return replace(
        result,
        loggers=tuple(sorted({logger for logger, _ in boots})),
        boots=tuple(sorted(boots)),
        timeless=tuple(timeless(ledger, boots)),
    )


def _segments(path: Path) -> list[Path]:
    if path.is_file():
        return [path]
    if not path.is_dir():
        what = "is neither a file nor a folder" if path.exists() else "there is no such file or folder"
        raise SourceError(f"{path}: {what}; name a journal's folder, a .seg file or a .csv file")
    files = sorted(p for p in path.rglob("*.seg") if p.is_file())
    if not files:
        raise SourceError(f"{path}: no journal segment (*.seg) is in it; name the folder that the logger calls journal")
    return files


def _take_in(ledger: Ledger, file: Path, so_far: FolderResult, boots: set[tuple[int, int]]) -> FolderResult:
    try:
        if file.stat().st_size > LONGEST_FILE:
            raise SourceError(f"{file}: over {LONGEST_FILE >> 20} MB; that is no journal")
        data = file.read_bytes()
    except OSError as error:
        raise SourceError(f"{file}: {error.strerror}") from error
    header = segment_header(data)
    frames, damaged = scan_segment(data)
    sifted = sift([Arrived(frame, str(file), header[0] if header else None) for frame in frames])
    count = ledger.store_frames(sifted.good, "folder")
    ledger.set_aside([*sifted.held, *sifted.refused], must_keep=True)
    broken = [
        Refused(data[at : at + size], f"{file}:{at}", "damaged", f"{size} bytes from byte {at} on are no frame")
        for at, size in damaged
    ]
    ledger.set_aside(broken, must_keep=True)
    boots.update((head.key.logger, head.key.boot) for head, _ in sifted.good)
    return replace(
        so_far,
        frames=so_far.frames + len(frames),
        new=so_far.new + count.new,
        known=so_far.known + count.known,
        clashes=so_far.clashes + count.clash,
        damaged=so_far.damaged + len(damaged),
        asides=so_far.asides + len(sifted.held) + len(sifted.refused),
    )


def timeless(ledger: Ledger, boots: set[tuple[int, int]]) -> list[tuple[int, int]]:
    """Those (logger, boot) that no anchor places in time."""
    return [one for one in sorted(boots) if not ledger.anchors(*one) and not _said_time(ledger, *one)]


def _said_time(ledger: Ledger, logger: int, boot: int) -> bool:
    """Whether the boot has an anchor among its own frames."""
    return any(_is_anchor(stored.frame) for stored in ledger.frames(logger, kind=EVENT, boots=[boot]))


def _is_anchor(frame: bytes) -> bool:
    try:
        return decode_event(frame).name == "anchor"
    except FrameError:
        return False


def _meant(
    ledger: Ledger, path: Path, timeless: Sequence[tuple[int, int]], boot: int | None
) -> tuple[int, int]:
    """The (logger, boot) that a start time is for. Raises ConfigError."""
    if not timeless:
        raise ConfigError(f"{path}: every boot in it has a time of its own already; leave the start time out")
    meant = [one for one in timeless if boot in (None, one[1])]
    spans = ", ".join(_span(ledger, *one) for one in timeless)
    if not meant:
        raise ConfigError(f"{path}: no boot {boot} without a time of its own is in it; there are: {spans}")
    if len(meant) > 1:
        raise ConfigError(
            f"{path}: the logger was switched on {len(meant)} times without being told the time ({spans}); "
            "say with --boot N for which of them the start time is: the others are placed around it as far as can be"
        )
    return meant[0]


def _span(ledger: Ledger, logger: int, boot: int) -> str:
    span: BootSpan = next(one for one in ledger.boots(logger) if one.boot == boot)
    return f"boot {boot}: {span.last_uptime_ms / 3_600_000:.1f} h"
