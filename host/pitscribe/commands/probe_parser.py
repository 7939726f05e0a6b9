"""What ``pitscribe probe`` can be asked, and nothing of how that is done."""

import argparse
import re
from collections.abc import Callable
from pathlib import Path


def add_probe(sub: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add ``probe`` and its actions to the command line."""
    p = sub.add_parser("probe", help="probes and what is known of each: calibrate, check, history, uncertainty")
    actions = p.add_subparsers(title="actions", dest="action", required=True, metavar="ACTION")

    def action(name: str, text: str) -> argparse.ArgumentParser:
        a = actions.add_parser(name, help=text, description=text)
        a.set_defaults(module="probe")
        a._negative_number_matcher = re.compile(r"^-(\d+\.?\d*|\.\d+)[CcFf]?(=.*)?$")  # -4F is no option
        return a

    add = action("add", "write down a probe")
    add.add_argument("name", help="a name of your own, on a tag at its plug")
    add.add_argument("--type", required=True, metavar="TYPE", help="its thermocouple type: K, J, T, N, E, R or S")
    add.add_argument("--tolerance", default="iec-2", metavar="CLASS",
                     help="iec-1, iec-2, astm-special or astm-standard, as its maker says (default iec-2)")
    action("list", "every probe, its correction, and where it is")
    show = action("show", "a probe's history and its present correction")
    show.add_argument("name")
    show.add_argument("--certificate", type=_file, metavar="FILE", help="write it as one page of HTML, to print")
    for a in (action("withdraw", "say that a record of a probe is wrong: it counts no more, and is kept"),
              action("restore", "take a withdrawal back: the record counts again")):
        a.add_argument("name")
        a.add_argument("record", type=int, help="its number, as probe show has it")
    _probe_measuring(action)
    _probe_air(action)
    budget = action("budget", "what makes a probe's reading uncertain at a temperature, and by how much")
    budget.add_argument("name")
    budget.add_argument("temp", help="203F or 95C")
    budget.add_argument("--air", action="store_true", help="as an air probe (default: in meat)")
    budget.add_argument("--cold", default="25C", metavar="TEMP", help="the terminal block (default 25C)")
    _on_channel(budget)


def _file(text: str) -> Path:
    if not text:
        raise argparse.ArgumentTypeError("must name a file")
    return Path(text)


def _probe_measuring(action: Callable[[str, str], argparse.ArgumentParser]) -> None:
    calibrate = action("calibrate", "find a probe's correction: in ice, in boiling water, or beside another probe")
    calibrate.add_argument("--ice", action="store_true", help="a stirred ice bath")
    calibrate.add_argument("--boil", action="store_true", help="boiling water; needs --pressure or --altitude")
    calibrate.add_argument("--pressure", metavar="P", help="the station's own pressure: 834hPa, 24.63inHg")
    calibrate.add_argument("--altitude", metavar="H", help="1609m or 5280ft")
    calibrate.add_argument("--against", metavar="PROBE", help="another probe in the same bath or block")
    calibrate.add_argument("--against-channel", type=int, metavar="N", help="the channel that one is on")
    calibrate.add_argument("--levels", type=int, choices=range(1, 11), default=1, metavar="N",
                           help="how many temperatures the bath is brought to, one after the other (default 1)")
    calibrate.add_argument("--point", action="append", default=[], metavar="TRUE=READ",
                           help="what an instrument of your own showed: 32F=33.4F")
    calibrate.add_argument("--give-or-take", metavar="D",
                           help="how far the instrument of the --points may be off, all of them alike (default 0.5C)")
    kind = calibrate.add_mutually_exclusive_group()
    kind.add_argument("--offset", action="store_true", help="an offset alone (default: what the points bear)")
    kind.add_argument("--gain", action="store_true", help="an offset and a gain; refused if the points are too close")
    calibrate.add_argument("--remark", metavar="TEXT", help="who measured, with what")
    calibrate.add_argument("--dry-run", action="store_true", help="measure and tell, and write nothing down")
    for a in (calibrate, action("check", "a quick look in ice: does a probe still agree with what is known of it")):
        a.add_argument("name")
        a.add_argument("--from", dest="since", metavar="TIME",
                       help="from what is recorded already, from then on; with --point: when that was")
        a.add_argument("--to", dest="until", metavar="TIME", help="until then (default: now)")
        _on_channel(a)


def _probe_air(action: Callable[[str, str], argparse.ArgumentParser]) -> None:
    learn = action("learn-air", "learn what stem and lag do to an air probe, from a cook with a thin one beside it")
    learn.add_argument("--beside", required=True, metavar="PLACE", help="the air place of the thin junction")
    learn.add_argument("--base", metavar="PLACE", help="the meat place that the probe's stem sits in (default: none)")
    learn.add_argument("--cook", help="number or name (default: the newest)")
    learn.add_argument("--from", dest="since", metavar="TIME", help="from then on (default: from the cook's start)")
    plunge = action("plunge", "how slow a junction is, from a plunge out of ice into stirred hot water; mind the steam")
    plunge.add_argument("--from", dest="since", required=True, metavar="TIME", help="before the plunge, at rest")
    _on_channel(plunge)
    for a in (learn, plunge):
        a.set_defaults(module="probe_air")
        a.add_argument("name")
        a.add_argument("--to", dest="until", metavar="TIME", help="until then (default: now, or the cook's end)")
        a.add_argument("--remark", metavar="TEXT", help="who, with what")
        a.add_argument("--dry-run", action="store_true", help="tell, and write nothing down")


def _on_channel(p: argparse.ArgumentParser) -> None:
    p.add_argument("--channel", type=int, metavar="N", help="the channel it is on (default: where a cook has it)")
    p.add_argument("--logger", metavar="ID", help="8 hex digits (default: the only one)")
