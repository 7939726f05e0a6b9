"""``pitscribe demo``: the whole way on one machine, from chip registers to a page, on a cook of our own.

The bench plays smoker, meat, probes and chips; MicroPython runs the unmodified firmware on it; the host takes in what
it sends as it would from any logger. All live in the bench's time, which runs some hundred times faster than ours.
"""

import argparse
import contextlib
import signal
import tempfile
import time
import zlib
from collections.abc import Iterator
from pathlib import Path

from pitscribe.commands.alerts import rules_of
from pitscribe.commands.demo_frames import Arrived, count_journal
from pitscribe.commands.demo_report import DemoReport
from pitscribe.commands.host import Host
from pitscribe.config import BrokerConfig, Config, PageConfig
from pitscribe.errors import BenchError, ConfigError
from pitscribe.intake.keyring import Keyring
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import Cook
from pitscribe.simulate.rig import Bench, Board, write_settings
from pitscribe.simulate.scenario import SCENARIOS, Scenario

SPEED = 600
YOUR_SPEED = 60  # an hour a minute: time to set up a cook by hand
HEADLESS_SPEED = 1500  # nobody watches; limited by what the machine can do
UNIQUE_ID = "7069747363726962"
LOGGER = zlib.crc32(bytes.fromhex(UNIQUE_ID))
STILL_S = 20.0  # real seconds without progress after which the run is given up
PLAIN = "backyard"
BAND_C = (107.2, 135.0)  # 225 to 275 degF, where such cooks are held (common practice, no source)


def run(config: Config, arguments: argparse.Namespace) -> int:
    """Run the demo. Returns 0 if every frame that was journalled is in the ledger, once."""
    if not 0.02 <= arguments.hours <= 72:
        raise ConfigError(f"--hours {arguments.hours:g}: must be 0.02 to 72")
    if arguments.start_yourself and arguments.headless:
        raise ConfigError("--start-yourself: a cook is started on the page, and --headless has none")
    if arguments.seed < 0:
        raise ConfigError(f"--seed {arguments.seed}: must be 0 or more")
    usual = HEADLESS_SPEED if arguments.headless else YOUR_SPEED if arguments.start_yourself else SPEED
    speed = arguments.speed or usual
    if not 1 <= speed <= 100_000:
        raise ConfigError(f"--speed {speed:g}: must be 1 to 100000")
    name = arguments.scenario or PLAIN
    if name not in SCENARIOS:
        raise ConfigError(f"--scenario {name}: must be one of {', '.join(SCENARIOS)}")
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.default_int_handler)  # each ends it in order
    with _folder(arguments.keep) as folder:
        demo = Demo(folder, SCENARIOS[name], arguments.hours, arguments.seed, round(speed))
        page_port = None if arguments.headless else arguments.page_port
        return demo.run(config, page_port, start_yourself=arguments.start_yourself)


@contextlib.contextmanager
def _folder(keep: Path | None) -> Iterator[Path]:
    """A folder for the run: the one to keep, which must be new or empty, or one that is removed afterwards."""
    if keep is None:
        with tempfile.TemporaryDirectory(prefix="pitscribe-demo-") as name:
            yield Path(name)
        return
    try:
        keep.mkdir(parents=True, exist_ok=True, mode=0o700)
        if any(keep.iterdir()):
            raise ConfigError(f"--keep {keep}: there is something in it already; name a new folder")
    except OSError as error:
        raise ConfigError(f"--keep {keep}: {error.strerror}") from error
    yield keep.resolve()


class Demo:
    """One run in a folder: ``bench/``, ``flash/`` (the board's files) and the ledger."""

    def __init__(self, folder: Path, scenario: Scenario, hours: float, seed: int, speed: int) -> None:
        self._folder, self._scenario, self._hours, self._seed, self._speed = folder, scenario, hours, seed, speed
        self._flash = folder / "flash"
        self._end_ms = round(hours * 3_600_000)

    def run(self, config: Config, page_port: int | None, *, start_yourself: bool = False) -> int:
        """Run it, with a page unless ``page_port`` is None; print what came of it."""
        began = time.monotonic()
        bench = Bench(self._folder / "bench", self._scenario.name, self._seed, self._hours)
        with contextlib.ExitStack() as stack:
            stack.callback(bench.stop)
            host = stack.enter_context(self._host(config, bench, page_port))
            cook = None if start_yourself else self._begin_cook(host.ledger)
            secret = Keyring(self._folder).set(LOGGER)
            write_settings(self._flash, self._scenario, self._speed, *host.where, secret)
            if page_port is not None:
                todo = "Watch it" if cook else f"Start cooks, note and end them yourself, for {self._hours:g} h,"
                print(f"{self._scenario.title}. {todo} at {host.page.url} (Ctrl-C ends it)", flush=True)
            board = Board(
                self._flash, bench, speed=self._speed, world_end_ms=self._end_ms, unique_id=UNIQUE_ID, heap="180k"
            )
            stack.callback(board.cut_power)
            self._watch_it(host.ledger, bench, board)
            if cook is not None:
                host.ledger.end_cook(cook.id, self._start_ms + self._end_ms)
            took = time.monotonic() - began
            board.cut_power()
            arrived, truth = Arrived(host.ledger, self._flash / "journal"), bench.stop()
            if cook is None:
                print("\n".join(arrived.lines()), flush=True)
            else:
                print(DemoReport(host.ledger, cook.id, arrived, truth, took, config.units).text(), flush=True)
            if page_port is not None:
                over = "The cook is over; it" if cook else "The logger is switched off; all"
                where = f"{host.page.url}cook/{cook.id}" if cook else host.page.url
                print(f"{over} stays at {where} until Ctrl-C.", flush=True)
                with contextlib.suppress(KeyboardInterrupt):
                    signal.pause()
        return 0 if arrived.whole else 1

    def _host(self, config: Config, bench: Bench, page_port: int | None) -> Host:
        self._start_ms = round(bench.clock.now() * 1000)
        broker = BrokerConfig(port=0, listen="127.0.0.1")
        page = None if page_port is None else PageConfig(port=page_port)
        telling = None if page is None else (rules_of(config), None)  # on the page alone: nobody is woken by a demo
        stale_s = 120 + 4 * self._speed
        return Host(self._folder, bench.clock, broker, page=page, telling=telling, stale_after_s=stale_s)

    def _begin_cook(self, ledger: Ledger) -> Cook:
        scenario = self._scenario
        cook = ledger.start_cook(
            scenario.title, at=self._start_ms, target_c=scenario.target_c, meats=scenario.meats,
            band_c=BAND_C,
        )
        for p in scenario.placements:
            probe = ledger.add_probe(f"{p.place} ({p.tc})", p.tc, p.probe.grade)
            ledger.place(cook.id, probe, LOGGER, p.channel, p.place, p.kind)
        return cook

    def _watch_it(self, ledger: Ledger, bench: Bench, board: Board) -> None:
        """Write the person's notes down as they happen, until all is over and its frames have come."""
        progress, moved = -1, time.monotonic()
        while True:
            for happening in bench.happenings():
                at_ms = self._start_ms + int(happening["world_ms"])
                cook = next((one for one in ledger.cooks() if one.started_ms <= at_ms <= (one.ended_ms or at_ms)), None)
                if cook is not None:
                    ledger.add_note(cook.id, at_ms, str(happening["kind"]), str(happening["text"]))
            board.check()
            world_ms = bench.clock.world_ms()
            over = world_ms >= self._end_ms
            if over and ledger.frame_count() >= count_journal(self._flash / "journal"):
                return
            now = ledger.frame_count() if over else world_ms
            if now != progress:
                progress, moved = now, time.monotonic()
            elif time.monotonic() - moved > STILL_S:
                if over:
                    return  # the report says what is missing
                raise BenchError(f"the board stands still; see {self._flash / 'console.log'} (--keep keeps it)")
            time.sleep(0.05)
