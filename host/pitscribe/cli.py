"""The command ``pitscribe``: what it can be asked, and nothing of how that is done.

Each sub-command is a module of ``pitscribe.commands`` with ``run(config, arguments)``; it is imported when it is
asked for, so that a short command stays short.
"""

import argparse
import importlib
import os
import re
import sys
from pathlib import Path

from pitscribe import __version__
from pitscribe.commands.aims import add_aims
from pitscribe.commands.check_parser import add_check
from pitscribe.commands.export_parser import add_export
from pitscribe.commands.keeping_parser import add_keeping
from pitscribe.commands.mirror_parser import add_mirror
from pitscribe.commands.outfit_parser import add_outfit
from pitscribe.commands.papers_parser import add_compare, add_known, add_report
from pitscribe.commands.photo_parser import add_photo
from pitscribe.commands.probe_parser import add_probe
from pitscribe.commands.share_parser import add_share
from pitscribe.commands.trial_parser import add_score, add_trial
from pitscribe.config import read_config
from pitscribe.errors import PitscribeError

SAFETY = (
    "Fire, hot metal and food can hurt: keep to your local codes, never leave a fire because a screen looks well, "
    "and trust no logger alone with food safety."
)


def main(argv: list[str] | None = None) -> int:
    """Run the command. Returns its exit status: 0, 1 for an error told in one line, 130 when interrupted."""
    if sys.stdout is None:  # closed by whoever started us
        sys.stdout = Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115 - for as long as we run
    arguments = parser().parse_args(argv)
    try:
        command = importlib.import_module(f"pitscribe.commands.{arguments.module}")
        own = getattr(arguments, "own_settings", False)  # it reads them itself, to say what is wrong with them
        status = command.run(arguments.home if own else read_config(arguments.home), arguments)
        sys.stdout.flush()
        return int(status or 0)
    except PitscribeError as error:
        _complain(str(error))
        return 1
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        _let_go_of_output()  # whoever read it has had enough
        return 0
    except OSError as error:
        _let_go_of_output()
        _complain(f"{error.filename or 'output'}: {error.strerror or error}; make room or name another place")
        return 1
    except Exception as error:
        if os.environ.get("PITSCRIBE_DEBUG"):
            raise
        _complain(f"a fault in pitscribe itself: {type(error).__name__}: {error} (PITSCRIBE_DEBUG=1 shows where)")
        return 70


def _let_go_of_output() -> None:
    """Nothing more may be written, not even what is buffered when Python ends."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _complain(text: str) -> None:
    print("pitscribe:", " ".join(text.split()), file=sys.stderr)


def parser() -> argparse.ArgumentParser:
    """The command line, for ``main`` and for whoever checks a document against it."""
    top = argparse.ArgumentParser(
        prog="pitscribe",
        description="A logger for long wood-fired cooks: true temperatures, and what the meat and the fire are doing.",
        epilog=SAFETY,
    )
    top.add_argument("--version", action="version", version=f"pitscribe {__version__}")
    top.add_argument("--home", type=_folder, metavar="DIR", help="where the ledger and the settings are kept")
    sub = top.add_subparsers(title="commands", dest="command", required=True, metavar="COMMAND")
    for add in (_demo, _serve, _cooks, _cook, _note, _plan, _import, add_outfit, _pull, add_export, _replay, add_photo,
                add_report, add_compare, add_probe, _explain, _emf, _flags, _logger, _page, _alerts, _boots, add_score,
                add_trial, add_mirror, add_share, add_check, add_keeping):
        add(sub)
    return top


def _folder(text: str) -> Path:
    if not text:
        raise argparse.ArgumentTypeError("must name a folder")
    return Path(text)


def _port(text: str) -> int:
    if not text.isdecimal() or int(text) > 65535:
        raise argparse.ArgumentTypeError(f"{text!r} must be 0 (any free one) to 65535")
    return int(text)


def _demo(sub: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    p = sub.add_parser("demo", help="a whole simulated cook on this machine, from chip registers to the page")
    p.set_defaults(module="demo")
    p.add_argument("--speed", type=float, metavar="X", help="times real time (default 600; faster when headless)")
    p.add_argument("--hours", type=float, default=14.0, metavar="H", help="length of the cook (default 14)")
    p.add_argument("--seed", type=int, default=7, metavar="N", help="another number is another day (default 7)")
    p.add_argument("--scenario", metavar="NAME", help="which of the bench's scenarios")
    p.add_argument("--headless", action="store_true", help="no page; ends with a table")
    p.add_argument("--start-yourself", action="store_true", help="you start and end the cooks, on the page (60 x)")
    p.add_argument("--keep", type=Path, metavar="DIR", help="keep ledger, flash and truth there")
    p.add_argument("--page-port", type=_port, default=0, metavar="PORT", help="port of the page (default: a free one)")


def _serve(sub: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    p = sub.add_parser("serve", help="take in what loggers send, keep it and show it")
    p.set_defaults(module="serve")
    p.add_argument("--page-port", type=_port, metavar="PORT", help="port of the page on this machine")
    p.add_argument("--broker-port", type=_port, metavar="PORT", help="port of the broker")


def _cooks(sub: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    p = sub.add_parser("cooks", help="list the cooks, or take away one that was a mistake")
    p.set_defaults(module="cooks", action="list")
    p.add_argument("--json", action="store_true", help="for another program")
    p.add_argument("--drop", metavar="COOK", help="take that one away for good, by number or name; asks first")
    p.add_argument("--yes", action="store_true", help="with --drop: do not ask")


def _cook(sub: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    p = sub.add_parser("cook", help="start, set, end, reopen or show a cook, or say where its probes are")
    actions = p.add_subparsers(title="actions", dest="action", required=True, metavar="ACTION")

    def action(name: str, text: str) -> argparse.ArgumentParser:
        a = actions.add_parser(name, help=text)
        a.set_defaults(module="cooks")
        return a

    start = action("start", "start a cook; what the logger read before is still there")
    start.add_argument("name")
    start.add_argument("--at", metavar="TIME", help="when it started (default: now)")
    add_aims(start)
    _places(start)
    change = action("set", "change what is wanted of a cook, at any time; \"none\" takes a setting away")
    change.add_argument("cook", nargs="?", help="number or name (default: the newest)")
    change.add_argument("--name", help="another name")
    add_aims(change)
    place = action("place", "say which probe is where, from the cook's start or from a time on")
    place.add_argument("cook", help="number or name")
    place.add_argument("--since", metavar="TIME", help="from then on (default: from the start of the cook)")
    _places(place)
    end = action("end", "end a cook; it can be reopened")
    end.add_argument("cook", nargs="?", help="number or name (default: the one that is going on)")
    end.add_argument("--at", metavar="TIME", help="when it ended (default: now)")
    reopen = action("reopen", "go on with a cook that was ended")
    reopen.add_argument("cook", nargs="?", help="number or name (default: the newest)")
    show = action("show", "what a cook is doing, or did")
    show.add_argument("cook", nargs="?", help="number or name (default: the newest)")
    show.add_argument("--json", action="store_true", help="for another program")
    add_known(show)
    show.add_argument("--unit", choices=["F", "C"], help="units to print")


def _places(p: argparse.ArgumentParser) -> None:
    p.add_argument("--logger", metavar="ID", help="8 hex digits (default: the only one)")
    for kind in ("air", "meat"):
        p.add_argument(
            f"--{kind}", action="append", default=[], metavar="PLACE=CHANNEL[:PROBE]",
            help=f"a place in the {kind}: flat=2, or flat=2:green for the probe of that name",
        )


def _note(sub: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    p = sub.add_parser("note", help="write down what was done or seen")
    p.set_defaults(module="note")
    p.add_argument("kind", help="wrap, unwrap, rotate, spritz, fuel, lid, ice, boat, pan, pull, hold or text")
    p.add_argument("text", nargs="?", default="")
    p.add_argument("--cook", help="number or name (default: the one that is going on)")
    when = p.add_mutually_exclusive_group()
    when.add_argument("--at", metavar="TIME", help="when: 2026-05-30T14:05 or 14:05 (default: now)")
    when.add_argument("--ago", metavar="SPAN", help="how long ago: 15m")


def _plan(sub: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    p = sub.add_parser(
        "plan",
        help="backwards from the table: when to light the fire; or what could still be done in a cook",
        description="Backwards from the table: --serve, --target, --pit, and --thick or --weight say when to light the "
        "fire. With --cook: what to wrap now, or to bring the pit to --pit, would do to the finish.",
    )
    p.set_defaults(module="plan")
    p.add_argument("--serve", metavar="TIME", help="when it is on the table: 18:00 (the next) or 2026-05-30T18:00")
    p.add_argument("--target", metavar="TEMP", help="when the meat is done: 203F or 95C (default: the cook's)")
    p.add_argument("--pit", action="append", default=[], metavar="TEMP", help="level of the pit; with --cook several")
    p.add_argument("--rest", metavar="SPAN", help="from done to the table (default 1h)")
    p.add_argument("--thick", metavar="LENGTH", help="the piece at its thickest: 3in or 75mm")
    p.add_argument("--weight", metavar="WEIGHT", help="of the piece, which says less: 13lb or 6kg")
    p.add_argument("--meat-at", metavar="TEMP", help="the meat's own temperature when it goes on (default 4C, 39F)")
    p.add_argument("--chance", metavar="SHARE", help="to be done in time (default 80%%)")
    p.add_argument("--heat-up", metavar="SPAN", help="from lighting the fire to a steady pit (default 45m)")
    wrap = p.add_mutually_exclusive_group()
    wrap.add_argument("--wrap", action="store_true", help="it is wrapped in the stall")
    wrap.add_argument("--no-wrap", action="store_true", help="it is never wrapped (default: as cooks do)")
    p.add_argument("--cook", help="number or name of a cook that is going on, or was")
    p.add_argument("--at", metavar="TIME", help="with --cook: as it stood then: +5:00 or 14:05 (default: now)")
    p.add_argument("--json", action="store_true", help="one JSON object")
    p.add_argument("--unit", choices=["F", "C"], help="units to print, and of temperatures without a letter")


def _import(sub: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    p = sub.add_parser("import", help="take in a folder of journal segments, a file of them, or a CSV")
    p.set_defaults(module="tables", action="import")
    p.add_argument("path", type=Path, help="a folder with .seg files, a .seg file, or a .csv file")
    p.add_argument("--started-at", metavar="TIME", help="when the logger's boot without a clock started (segments)")
    p.add_argument("--boot", type=int, metavar="N", help="which boot that was, if there are several without a clock")
    p.add_argument("--name", help="the cook's name (CSV; default: the file's)")
    p.add_argument("--unit", help="unit of the CSV's temperatures: F or C")
    p.add_argument("--air", default="", metavar="A,B", help="columns that are air places")
    p.add_argument("--meat", default="", metavar="A,B", help="columns that are meat places")
    p.add_argument("--tz", metavar="ZONE", help="time zone of the CSV's times that have none (default UTC)")


def _pull(sub: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    p = sub.add_parser("pull", help="take a logger's journal over its USB cable, and tell it the time")
    p.set_defaults(module="pull")
    p.add_argument("port", metavar="PORT", help="its serial port: /dev/ttyACM0")
    p.add_argument("--all", action="store_true", help="also what is here already")
    p.add_argument("--time", action="store_true", help="tell it the time even if it has been told")


def _replay(sub: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    p = sub.add_parser("replay", help="what the analysis says of a cook or a CSV, step by step, never looking ahead")
    p.set_defaults(module="replay")
    p.add_argument("source", help="number or name of a cook, or a CSV file")
    p.add_argument("--every", default="15min", metavar="SPAN", help="step (default 15min)")
    add_aims(p)
    p.add_argument("--unit", help="unit of the CSV's temperatures, and of what is printed: F or C "
                   "(default: for the CSV the one that makes it a cook, if one alone does)")
    add_known(p)
    p.add_argument("--air", default="", metavar="A,B", help="columns of the CSV that are air places")
    p.add_argument("--meat", default="", metavar="A,B", help="columns of the CSV that are meat places")
    p.add_argument("--tz", metavar="ZONE", help="time zone of the CSV's times that have none (default UTC)")
    p.add_argument("--json", action="store_true", help="one JSON object")


def _explain(sub: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    p = sub.add_parser("explain", help="how one reading came about: every step, its uncertainty and its source")
    p.set_defaults(module="explain")
    p.add_argument("cook", help="number or name")
    p.add_argument("place", help="as in the cook: flat")
    p.add_argument("time", help="+3:10 (into the cook), 14:05 (by the clock) or 2026-05-30T14:05:30")
    add_known(p)
    p.add_argument("--json", action="store_true", help="for another program: degC and K")
    p.add_argument("--unit", choices=["F", "C"], help="units to print")


def _emf(sub: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    p = sub.add_parser(
        "emf",
        help="at the bench: what a multimeter reads at a thermocouple's plug, what each chip reports, and back",
        description="What a multimeter reads at the plug of a thermocouple, what each chip would report, and back. "
        "Temperatures without a letter are in degC here, as on thermocouple tables; 225F is taken too.",
    )
    p.set_defaults(module="emf")
    p._negative_number_matcher = re.compile(r"^-(\d+\.?\d*|\.\d+)[CcFf]?$")  # -4F is no option
    p.add_argument("type", metavar="TYPE", help="K, J, T, N, E, R or S")
    p.add_argument("temp", metavar="TEMP", nargs="?", help="the hot junction: 107.2, 107.2C or 225F")
    p.add_argument("--cold", metavar="TEMP", default="0", help="the plug (default 0, as on thermocouple tables)")
    p.add_argument("--mv", type=float, metavar="MV", help="instead of TEMP: what the meter reads, in millivolts")
    p.add_argument("--json", action="store_true", help="for another program")


def _flags(sub: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    p = sub.add_parser("flags", help="what a sample can be flagged for: each rule, its threshold and its reason")
    p.set_defaults(module="flags")
    p.add_argument("--json", action="store_true", help="for another program")


def _logger(sub: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    p = sub.add_parser("logger", help="look at a logger on its cable; the secret that it and this host share")
    actions = p.add_subparsers(title="actions", dest="action", required=True, metavar="ACTION")
    look = actions.add_parser("look", help="ask a logger on its USB cable how it is, and what each channel reads now")
    look.set_defaults(module="look")
    look.add_argument("port", metavar="PORT", help="such as /dev/ttyACM0")
    secret = actions.add_parser("secret", help="make a secret for a logger, which then believes no other host")
    secret.set_defaults(module="logger")
    secret.add_argument("logger", metavar="ID", help="8 hex digits, as in its topics")
    secret.add_argument(
        "--set", metavar="TEXT", help="the secret that its config.json has already; - reads it from standard input"
    )


def _page(sub: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    p = sub.add_parser("page", help="the page's password")
    actions = p.add_subparsers(metavar="ACTION", required=True)
    link = actions.add_parser("link", help="print a one-time link that sets it")
    link.set_defaults(module="page")


def _alerts(sub: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    p = sub.add_parser("alerts", help="what is told to whom, and what was told")
    p.set_defaults(module="alerts")
    actions = p.add_subparsers(dest="action", metavar="ACTION", required=True)
    actions.add_parser("show", help="what is told, and what was of the last cook")
    actions.add_parser("test", help="send a trial message to every address")
    dry = actions.add_parser("dry", help="what would have been sent of an old cook; nothing is sent")
    dry.add_argument("cook", metavar="COOK", help="its name or number")
    dry.add_argument("--every", default="5min", metavar="SPAN", help="how often to look (default 5min)")
    dry.add_argument("--spread", metavar="LIMIT", help="with this limit of the spread: 20F or 11C")
    quiet = actions.add_parser("quiet", help="tell nothing for a while; what still holds then is told then")
    quiet.add_argument("span", metavar="SPAN", help="30min, 2h; off: tell again")
    seen = actions.add_parser("seen", help="say that you know of one")
    seen.add_argument("id", type=int, metavar="NUMBER", help="its number, as `alerts show` lists it")


def _boots(sub: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    p = sub.add_parser("boots", help="when a logger was switched on, how that is known, and to say it")
    p.set_defaults(module="boots")
    p.add_argument("--logger", metavar="ID", help="8 hex digits (default: the only one)")
    p.add_argument("--boot", type=int, metavar="N", help="the one of which --started-at says when it began")
    p.add_argument("--started-at", metavar="TIME", help="when it was switched on: 2026-05-30T06:10 or 06:10")
    p.add_argument("--give-or-take", metavar="SPAN", help="how far off that may be (default 1m)")
    p.add_argument("--json", action="store_true", help="for another program")


if __name__ == "__main__":
    sys.exit(main())
